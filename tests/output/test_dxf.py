"""DXF read back by ezdxf."""

import io
import os
import subprocess
import sys
from itertools import pairwise

import ezdxf
import numpy as np
import pytest
import shapely
from output_examples import NASTY, large, strip

from drape.errors import plain
from drape.output.drawing import pattern_drawing
from drape.output.dxf import side_by_side, to_dxf

PATTERNS = (strip(turned_deg=20.0), large(), strip(60.0, 14.0, 30.0, hole=None))


def read(data):
    return ezdxf.read(io.StringIO(data.decode("utf-8")))


@pytest.fixture(scope="module")
def drawings():
    return [pattern_drawing(p) for p in PATTERNS]


def cut_rings(document):
    return [
        np.array(list(line.get_points("xy")))
        for line in document.modelspace().query('LWPOLYLINE[layer=="cut"]')
        if line.closed
    ]


def test_same_polygons_read_back(drawings):
    rings = cut_rings(read(to_dxf(drawings)))
    wanted = [
        ring + offset
        for pattern, offset in zip(PATTERNS, side_by_side(drawings), strict=True)
        for ring in (pattern.outline, *pattern.holes)
    ]
    for ring, want in zip(rings, wanted, strict=True):
        np.testing.assert_allclose(ring, want, atol=1e-3)


def test_given_offsets_are_kept(drawings):
    rings = cut_rings(read(to_dxf(drawings, offsets=[(0, 0), (1000, 50), (0, -400)])))
    np.testing.assert_allclose(rings[0], PATTERNS[0].outline, atol=1e-3)
    np.testing.assert_allclose(rings[2], PATTERNS[1].outline + np.array([1000, 50]), atol=1e-3)


def test_is_r2010_in_millimetres_on_own_layers_and_sound(drawings):
    document = read(to_dxf(drawings))
    assert document.dxfversion == "AC1024"
    assert document.header["$INSUNITS"] == 4
    assert document.header["$MEASUREMENT"] == 1
    assert {e.dxf.layer for e in document.modelspace()} == {"cut", "edge", "mark", "text"}
    assert not document.audit().errors
    assert {e.dxf.layer for e in document.modelspace().query("TEXT")} == {"text"}


def test_side_by_side_leaves_the_gap(drawings):
    places = side_by_side(drawings, gap=20.0)
    boxes = [
        shapely.box(*(np.array(d.bounds) + np.array(place * 2)))
        for d, place in zip(drawings, places, strict=True)
    ]
    assert len(boxes) > 1
    for left, right in pairwise(boxes):
        assert left.distance(right) == pytest.approx(20.0)


def test_names_break_neither_the_file_nor_each_other():
    """%% and \\U+ are codes in DXF text (DXF reference, text entities); here they're names."""
    drawing = pattern_drawing(strip(piece=NASTY))
    document = read(to_dxf([drawing]))
    assert not document.audit().errors
    words = [e.dxf.text for e in document.modelspace().query("TEXT")]
    assert len(words) == len(drawing.texts)
    title = next(w for w in words if w.startswith("a%"))
    assert "%%u" not in title.replace("%%%", "")
    assert "U+0041" in title
    assert plain(NASTY)[-4:] in title


def test_option_of_the_library_is_put_back(drawings):
    before = ezdxf.options.write_fixed_meta_data_for_testing
    to_dxf(drawings[:1])
    assert ezdxf.options.write_fixed_meta_data_for_testing == before


def test_same_drawings_give_the_same_bytes_in_any_process():
    """Sets of text come in another order in each process."""
    make = (
        "import hashlib; from drape.output.drawing import pattern_drawing; "
        "from drape.output.dxf import to_dxf; from output_examples import strip; "
        "print(hashlib.sha256(to_dxf([pattern_drawing(strip())])).hexdigest())"
    )
    made = set()
    for seed in ("1", "2", "3", "4", "5", "6"):
        environment = os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": os.pathsep.join(sys.path)}
        done = subprocess.run(
            [sys.executable, "-c", make],
            env=environment,
            capture_output=True,
            text=True,
            check=True,
        )
        made.add(done.stdout)
    assert len(made) == 1
