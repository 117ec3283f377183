"""What is handed to machine code is checked before: it checks nothing itself."""

import numpy as np
import pytest
from exact import shapes

from drape.compiling.calling import Caller
from drape.compiling.signature import signature_of
from drape.compiling.words import Floats1, Floats2, Ints1
from drape.geometry.geodesics import arc_length
from drape.geometry.heap import heap_pop, heap_push, make_heap
from drape.geometry.patches import make_patches
from drape.geometry.surface import build
from drape.geometry.walk import ROW, evaluate, evaluate_all, step_weights, walk


def example(a: int, x: Floats2, n: Ints1, out: Floats1) -> tuple[float, bool]:
    return 0.0, True


CALLER = Caller("example", signature_of(example), frozenset({"out"}))
GOOD = (3, np.ones((2, 3)), np.arange(4), np.zeros(5))


def with_(place, value):
    arguments = list(GOOD)
    arguments[place] = value
    return arguments


def test_good_arguments_are_let_through_as_they_are():
    checked = CALLER.checked(GOOD)
    assert checked[0] == 3
    assert all(a is b for a, b in zip(checked[1:], GOOD[1:], strict=True))


def frozen():
    out = np.zeros(5)
    out.setflags(write=False)
    return out


@pytest.mark.parametrize(
    ("place", "value", "told"),
    [
        (1, np.ones((2, 3), np.float32), "x.*float64, 2 axes.*float32"),
        (1, np.ones(3), "x.*2 axes.*1 axes"),
        (1, [[1.0]], "x.*list"),
        (2, np.arange(4, dtype=np.int32), "n.*int64.*int32"),
        (3, np.zeros(10)[::2], "out.*isn't contiguous"),
        (3, frozen(), "out.*read-only"),
    ],
)
def test_wrong_arrays_are_refused_by_name(place, value, told):
    with pytest.raises(TypeError, match=told):
        CALLER.checked(with_(place, value))


def test_a_wrong_count_is_refused():
    with pytest.raises(TypeError, match="takes 4 arguments, given: 3"):
        CALLER.checked(GOOD[:3])


def test_what_isnt_an_argument_cant_be_written():
    with pytest.raises(TypeError, match="no arguments rows"):
        Caller("example", signature_of(example), frozenset({"rows"}))


def test_arrays_that_are_only_read_may_lie_in_any_way():
    turned = np.arange(6.0).reshape(3, 2).T
    checked = CALLER.checked(with_(1, turned))[1]
    assert checked.flags.c_contiguous
    assert (checked == turned).all()


def test_compiled_entries_do_as_their_python_does():
    """Two routes: machine code, and the same function run by Python."""
    patches = make_patches(build(*shapes.hemisphere(30.0, 8)))
    rng = np.random.default_rng(3)
    faces, weights = rng.integers(0, len(patches.links), 40), rng.uniform(0.1, 0.4, (40, 2))
    rows, by_python = np.empty((40, ROW)), np.empty((40, ROW))
    evaluate_all(patches, faces, weights, rows)
    for k in range(40):
        evaluate.function(patches, faces[k], *weights[k], by_python[k])
    assert np.array_equal(rows, by_python)
    for k in range(0, 40, 2):
        length = arc_length(rows[k], rows[k + 1])
        assert length == pytest.approx(arc_length.function(rows[k], rows[k + 1]), rel=1e-14)
        step = step_weights(rows[k], 1.0, 2.0, -1.0)
        there = walk(patches, int(faces[k]), *weights[k], *step)
        assert there == pytest.approx(walk.function(patches, int(faces[k]), *weights[k], *step))
        assert isinstance(there[0], int)
        assert isinstance(there[3], bool)


def test_a_heap_gives_rows_back_in_the_order_of_tuples():
    rng = np.random.default_rng(1)
    rows = rng.integers(0, 4, (200, 3)).astype(float)
    heap, out, given = make_heap(200, 3), np.empty(3), []
    for row in rows:
        heap_push(heap, row)
    while heap.used[0]:
        heap_pop(heap, out)
        given.append(tuple(out))
    assert given == sorted(map(tuple, rows))


def test_a_full_heap_counts_what_it_loses():
    heap = make_heap(2, 1)
    for value in (3.0, 1.0, 2.0):
        heap_push(heap, np.array([value]))
    assert heap.used.tolist() == [2, 1]
