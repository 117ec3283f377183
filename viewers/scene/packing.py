"""A scene as JSON and back: arrays as base64 of few bytes.

Numbers are rounded to a 65535th of their greatest extent, which no screen shows.
"""

from __future__ import annotations

import base64
from typing import Any

import numpy as np


def packed(value: Any) -> Any:
    """A scene as plain JSON values; arrays become objects with base64 ``data``.

    ``{"shape", "type": "u2" or "i4", "data"}`` for indices. For numbers
    ``{"shape", "scale", "origin", "data"}``: little-endian uint16, a value is
    ``origin + scale·n``, the last axis having its own origins. That rounds to a 65535th of
    the greatest extent, which no screen shows.
    """
    if isinstance(value, dict):
        return {str(k): packed(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [packed(v) for v in value]
    if isinstance(value, np.ndarray):
        return _packed_array(value)
    if isinstance(value, np.generic):
        return value.item()
    return value


def _packed_array(values: np.ndarray) -> dict[str, Any]:
    shape = list(values.shape)
    if np.issubdtype(values.dtype, np.integer):
        kind = "u2" if values.size == 0 or 0 <= values.min() <= values.max() < 65536 else "i4"
        return {"shape": shape, "type": kind, "data": _text(values.astype(f"<{kind}"))}
    if not np.isfinite(values).all():
        raise ValueError("a scene's numbers must be finite")
    flat = values.reshape(-1, values.shape[-1] if values.ndim > 1 else 1)
    low = flat.min(axis=0) if len(flat) else np.zeros(flat.shape[1])
    scale = max(float((flat - low).max()) / 65535.0 if flat.size else 0.0, 1e-12)
    steps = np.round((flat - low) / scale).astype("<u2")
    origin = [float(x) for x in low]
    return {"shape": shape, "scale": scale, "origin": origin, "data": _text(steps)}


def _text(values: np.ndarray) -> str:
    return base64.b64encode(np.ascontiguousarray(values).tobytes()).decode("ascii")


def unpacked(value: Any) -> Any:
    """The scene that ``packed`` made plain, with its arrays."""
    if isinstance(value, dict):
        if "data" in value and "shape" in value:
            return _unpacked_array(value)
        return {k: unpacked(v) for k, v in value.items()}
    if isinstance(value, list):
        return [unpacked(v) for v in value]
    return value


def _unpacked_array(value: dict[str, Any]) -> np.ndarray:
    data = base64.b64decode(value["data"])
    if "type" in value:
        return np.frombuffer(data, f"<{value['type']}").astype(np.int64).reshape(value["shape"])
    steps = np.frombuffer(data, "<u2").reshape(-1, len(value["origin"]))
    return (np.array(value["origin"]) + value["scale"] * steps).reshape(value["shape"])
