"""The page ``view.html``: one file that holds scene, script and style, and asks for nothing.

Its content security policy names the script and the style by their hashes and allows no
connection (the live page: to its own server alone), so that nothing in a job or mesh file
can bring anything else to run.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
from importlib.resources import files
from typing import Any

from viewers.scene.colours import style_variables
from viewers.scene.packing import packed
from viewers.scene.schema import Live, Scene


def page(scene: Scene, live: Live | None = None) -> bytes:
    """The page of a scene, UTF-8.

    Parameters
    ----------
    scene : as ``viewers.scene.scene.make_scene`` gives it
    live : ``{"token": …}`` for a page that asks its server for other starts
    """
    source = files("viewers") / "page"
    template, style, bundle = (
        (source / name).read_text(encoding="utf-8")
        for name in ("index.html", "style.css", "bundle.js")
    )
    style = style_variables() + style
    content: Scene = {**scene, "live": live} if live else scene
    parts = {
        "policy": _policy(style, bundle, live is not None),
        "title": html.escape(scene["title"]),
        "style": style,
        "scene": in_script(packed(content)),
        "bundle": bundle,
    }
    # split first: what is put in may hold anything, also another place's name
    pieces = template.split("@")
    return "".join(parts[p] if i % 2 else p for i, p in enumerate(pieces)).encode("utf-8")


def in_script(value: Any) -> str:
    """JSON that can't end the script element it stands in."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _policy(style: str, bundle: str, live: bool) -> str:
    connect = "'self'" if live else "'none'"
    return (
        f"default-src 'none'; script-src {_hashed(bundle)}; style-src {_hashed(style)}; "
        f"img-src data: blob:; connect-src {connect}; base-uri 'none'; "
        "form-action 'none'"
    )


def _hashed(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"
