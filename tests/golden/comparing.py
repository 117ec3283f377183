"""How much two output folders differ, file by file.

Left out: the program's version in ``summary.json``; the pictures in PDFs, since a graphics
library draws them; the order of the kinds of objects in the head of a DXF file, which was random
once. The last two are told, but don't count. Everything else counts, to the last byte.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass

import numpy as np
import pypdf
from reading import figures_of, net_arrays, numbers, numeric, summary_of

SAME = "same"
VERSION = re.compile(rb'^(  "version": ").*(",?)$', re.MULTILINE)
PICTURE = re.compile(rb"/FormXob\.[0-9a-f]+")  # named after what they show
CLASSES = re.compile(rb"(?<=\n  2\nCLASSES\n).*?(?=\n  0\nENDSEC\n)", re.DOTALL)
NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
SCENE = re.compile(rb'(?<=id="scene">).*?(?=</script>)', re.DOTALL)


@dataclass(frozen=True)
class Differs:
    """What is different in a file; ``counts``: not only what is left out."""

    what: str
    counts: bool = True


def files_in(folder):
    """Names of all files below a folder."""
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}


def compared(old, new):
    """Name of every file in either folder → what differs."""
    out = {}
    in_old, in_new = files_in(old), files_in(new)
    for name in sorted(in_old | in_new):
        if name not in in_new:
            out[name] = Differs("gone")
        elif name not in in_old:
            out[name] = Differs("new")
        else:
            out[name] = difference(name, (old / name).read_bytes(), (new / name).read_bytes())
    return out


def difference(name, old, new):
    """What differs in a file."""
    if name == "summary.json":
        old, new = (VERSION.sub(rb"\1\2", content) for content in (old, new))
    if old == new:
        return Differs(SAME, counts=False)
    if name.endswith(".vtp"):
        return Differs(_nets(net_arrays(old), net_arrays(new)))
    if name.endswith(".dxf") and _classes_sorted(old) == _classes_sorted(new):
        return Differs("same, but for the order of its classes", counts=False)
    if name.endswith(".pdf"):
        if _pages(old) == _pages(new):
            return Differs("same, but for pictures", counts=False)
        return Differs(_text("\n".join(_words(old)), "\n".join(_words(new)), "on the pages"))
    if name.endswith(".html") and SCENE.sub(b"", old) == SCENE.sub(b"", new):
        return Differs("the scene differs")
    return Differs(_text(old.decode("utf-8"), new.decode("utf-8"), "in the text"))


def _nets(old, new):
    counts = [(len(a["Points"]), len(a["shear_deg"])) for a in (old, new)]
    if counts[0] != counts[1]:
        return "{} nodes and {} cells became {} and {}".format(*counts[0], *counts[1])
    if not np.array_equal(old["connectivity"], new["connectivity"]):
        return "nodes are joined otherwise"
    off = np.linalg.norm(new["Points"] - old["Points"], axis=1).max()
    sheared = np.abs(new["shear_deg"] - old["shear_deg"]).max()
    return f"nodes by up to {off:.2g} mm, shear by {sheared:.2g}°"


def _classes_sorted(content):
    return CLASSES.sub(lambda found: b"\n".join(sorted(found[0].split(b"\n"))), content)


def _pages(content):
    """Drawing and text of each page, its size and its pictures' places, without the pictures."""
    pages = pypdf.PdfReader(io.BytesIO(content)).pages
    return [
        (PICTURE.sub(b"/picture", p.get_contents().get_data()), tuple(map(float, p.mediabox)))
        for p in pages
    ]


def _words(content):
    return [drawn.decode("latin-1") for drawn, _ in _pages(content)]


def _text(old, new, where):
    """Of two texts: by how much numbers differ, if that is all that does."""
    if NUMBER.sub("0", old) == NUMBER.sub("0", new):
        a, b = (np.array(NUMBER.findall(text), float) for text in (old, new))
        off = np.abs(b - a).max()
        return f"numbers {where} by up to {off:.2g}" if off else f"how numbers {where} are written"
    lines = [text.splitlines() for text in (old, new)]
    lost, gained = (len(set(one) - set(other)) for one, other in (lines, lines[::-1]))
    return f"{lost} lines {where} lost, {gained} new"


def figures_off(old, new):
    """Key → by how much the summaries' figures differ at most, places in lists as ``*``.

    Numbers: the largest relative difference; outlines: mm; else what has become of it.
    """
    a, b = (figures_of(summary_of(folder)) for folder in (old, new))
    worst, other = {}, {}
    for path in [*a, *(p for p in b if p not in a)]:
        key = re.sub(r"/\d+(?=/|$)", "/*", path)
        if path not in a or path not in b:
            other[key] = "new" if path in b else "gone"
        elif a[path] != b[path] or type(a[path]) is not type(b[path]):
            off = _off(key, a[path], b[path])
            if isinstance(off, float):
                worst[key] = max(off, worst.get(key, 0.0))
            else:
                other[key] = off
    unit = {key: " mm" if key.endswith("outline_mm") else " relative" for key in worst}
    return {key: f"{off:.2g}{unit[key]}" for key, off in worst.items()} | other


def _off(key, old, new):
    if not (numeric(old) and numeric(new)):
        return f"{old!r} became {new!r}"
    (a, shape), (b, new_shape) = numbers(old), numbers(new)
    if shape != new_shape:
        return f"{len(a)} numbers became {len(b)}"
    a, b = np.array(a), np.array(b)
    apart = np.abs(b - a)
    if key.endswith("outline_mm"):
        return float(apart.max())
    return float((apart / np.maximum(np.maximum(np.abs(a), np.abs(b)), 1e-300)).max())
