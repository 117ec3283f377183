"""What is read from a run's output folder: the summary's figures, and nets."""

from __future__ import annotations

import json
from base64 import b64decode
from xml.etree import ElementTree

import numpy as np

LEFT_OUT = ("version", "files")  # these change without the figures
KINDS = {"Float64": "<f8", "Int64": "<i8"}


def summary_of(folder):
    """The folder's summary."""
    return json.loads((folder / "summary.json").read_text(encoding="utf-8"))


def figures_of(summary):
    """Path → value of all that a summary says, but for version and list of files.

    A value is a number, a text, true, false or null, or a list of numbers at any depth.
    """
    kept = {key: value for key, value in summary.items() if key not in LEFT_OUT}
    return dict(_leaves("", kept))


def _leaves(path, value):
    if isinstance(value, dict) and value:
        for key, item in value.items():
            yield from _leaves(f"{path}/{key}" if path else key, item)
    elif isinstance(value, list) and value and not numeric(value):
        for i, item in enumerate(value):
            yield from _leaves(f"{path}/{i}", item)
    else:
        yield path, value


def numeric(value):
    """Whether a value is a number, or a list of nothing but numbers at any depth."""
    if isinstance(value, list):
        return bool(value) and all(numeric(item) for item in value)
    return isinstance(value, int | float) and not isinstance(value, bool)


def numbers(value):
    """All numbers of a numeric value, in order, and how many each list has."""
    if not isinstance(value, list):
        return [float(value)], ()
    inner = [numbers(item) for item in value]
    return [x for flat, _ in inner for x in flat], tuple(shape for _, shape in inner)


def net_arrays(content):
    """Name → array of a ``.vtp`` file as a run writes it."""
    out = {}
    for element in ElementTree.fromstring(content).iter("DataArray"):
        data = b64decode(element.text)[8:]  # after the length in bytes
        array = np.frombuffer(data, KINDS[element.get("type")])
        width = int(element.get("NumberOfComponents", 1))
        out[element.get("Name")] = array.reshape(-1, width) if width > 1 else array
    return out


def net_digest(arrays):
    """Counts, means and extremes of a net; the ramps see the nodes' order.

    A ramp is the mean of values weighted from −1 at the first to 1 at the last.
    """
    points, shear = arrays["Points"], arrays["shear_deg"]
    digest = {
        "nodes": len(points),
        "cells": len(shear),
        "mean_mm": points.mean(axis=0).tolist(),
        "spread_mm": points.std(axis=0).tolist(),
        "ramp_mm": _ramp(points),
        "corners_ramp": _ramp(arrays["connectivity"].astype(float)),
        "least_shear_deg": float(shear.min()),
        "greatest_shear_deg": float(shear.max()),
        "mean_shear_deg": float(shear.mean()),
        "shear_ramp_deg": _ramp(shear),
    }
    for name in ("warp", "weft"):
        digest[f"{name}_mean"] = arrays[name].mean(axis=0).tolist()
        digest[f"{name}_ramp"] = _ramp(arrays[name])
    return digest


def _ramp(values):
    weights = np.linspace(-1.0, 1.0, len(values))
    return (weights @ values / len(values)).tolist()
