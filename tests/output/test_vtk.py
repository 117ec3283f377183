"""The net's file read back by VTK itself, in a process of its own."""

import json
import subprocess
import sys

import numpy as np
import pytest

from drape.output.vtk import to_vtp

READER = """
import json, sys
import numpy as np, pyvista
mesh = pyvista.read(sys.argv[1])
arrays = {name: np.asarray(mesh.cell_data[name]).tolist() for name in mesh.cell_data}
cells = np.asarray(mesh.faces).reshape(-1, 5).tolist() if mesh.n_cells else []
print(json.dumps({"points": np.asarray(mesh.points).tolist(), "cells": cells, **arrays}))
"""


def net(rows=4, columns=3):
    x, y = np.meshgrid(np.arange(columns + 1) * 2.0, np.arange(rows + 1) * 2.0)
    points = np.stack([x.ravel(), y.ravel(), np.sin(x.ravel()) * 1e-3 + 1e6 / 3], axis=1)
    first = (np.arange(rows)[:, None] * (columns + 1) + np.arange(columns)).ravel()
    cells = first[:, None] + np.array([0, 1, columns + 2, columns + 1])
    count = len(cells)
    shear = np.linspace(-0.7, 0.7, count)
    angles = np.linspace(0, 1, count)
    warp = np.stack([np.cos(angles), np.sin(angles), 0 * angles], axis=1)
    weft = np.stack([-np.sin(angles), np.cos(angles), 0 * angles], axis=1)
    return points, cells, shear, warp, weft


def read_by_vtk(data, folder):
    (folder / "net.vtp").write_bytes(data)
    command = [sys.executable, "-c", READER, folder / "net.vtp"]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    assert "error" not in done.stderr.lower()
    return json.loads(done.stdout.splitlines()[-1])


def test_same_net_read_back_by_vtk(tmp_path):
    points, cells, shear, warp, weft = net()
    got = read_by_vtk(to_vtp(points, cells, shear, warp, weft), tmp_path)
    np.testing.assert_array_equal(got["points"], points)
    np.testing.assert_array_equal(np.array(got["cells"])[:, 0], 4)
    np.testing.assert_array_equal(np.array(got["cells"])[:, 1:], cells)
    np.testing.assert_allclose(got["shear_deg"], shear * 180.0 / np.pi, rtol=1e-15)
    np.testing.assert_array_equal(got["warp"], warp)
    np.testing.assert_array_equal(got["weft"], weft)


def test_net_without_cells_is_read_too(tmp_path):
    data = to_vtp([[0, 0, 0]], np.empty((0, 4), int), [], np.empty((0, 3)), np.empty((0, 3)))
    assert read_by_vtk(data, tmp_path)["cells"] == []


@pytest.mark.parametrize("which", [0, 2, 3, 4])
def test_values_that_are_not_finite_are_refused(which):
    arrays = [np.array(a) for a in net()]
    arrays[which].flat[0] = np.nan
    with pytest.raises(ValueError, match="finite"):
        to_vtp(*arrays)


@pytest.mark.parametrize("node", [-1, 20])
def test_cells_of_nodes_that_do_not_exist_are_refused(node):
    arrays = [np.array(a) for a in net()]
    arrays[1][0, 0] = node
    with pytest.raises(ValueError, match="nodes"):
        to_vtp(*arrays)
