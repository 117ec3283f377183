"""Faces keep the number that they have in the user's file, through welding and mending."""

import numpy as np
import trimesh
from exact import shapes

from drape.mould.file_faces import file_faces, matched
from drape.mould.reading import prepare, read_surface


def middles(vertices, faces):
    return vertices[faces].mean(axis=1)


def test_numbers_of_a_file_in_metres(tmp_path):
    vertices, faces = shapes.trough(25.0, 60.0, 12, 9)
    order = np.random.default_rng(2).permutation(len(faces))
    trimesh.Trimesh(vertices / 1000.0, faces[order], process=False).export(tmp_path / "a.stl")
    surface, _ = read_surface(tmp_path / "a.stl", 1000.0)
    number = file_faces(tmp_path / "a.stl", 1000.0, surface)
    assert sorted(number) == list(range(len(faces)))
    given = middles(vertices, faces[order])[number]
    np.testing.assert_allclose(given, middles(surface.vertices, surface.faces), atol=1e-4)


def test_dropped_and_turned_faces_are_counted_past():
    vertices, faces = shapes.trough(25.0, 60.0, 6, 6)
    raw = np.concatenate([faces[:3], faces[:1], [[4, 4, 5]], faces[3:]])
    raw[7] = raw[7][[0, 2, 1]]  # turned over
    surface, _ = prepare(vertices, raw, where="test")
    number = matched(vertices, raw, surface)
    assert list(number) == [k for k in range(len(raw)) if k not in (3, 4)]


def test_mended_faces_are_in_no_file():
    """A triangle without area is flipped with its neighbour: both get other corners."""
    vertices = np.array([[0, 0, 0], [2, 0, 0], [1, 0, 0], [1, 1, 0], [1, -1, 0.0]])
    faces = np.array([[0, 2, 1], [0, 1, 3], [0, 4, 2], [2, 4, 1]])
    surface, _ = prepare(vertices, faces, where="test")
    number = matched(vertices, faces, surface)
    assert (number == -1).sum() == 2
    assert set(number) == {-1, 2, 3}
