"""Heights across the joint are continuous, for every kind of cloth that lies there.

Over a ramp a height goes by t(3x² − 2x³), whose greatest slope is 1.5 t/ramp: neighbouring
vertices can't differ by more than that times the way between them, summed over the cloth below.
Where distances are no longer measured all ramps must have ended. Figures by hand are for
a trough with a vertex every 4 mm round it.

Tries out ``layup/bed``, ``layup/heights`` as well.
"""

from contextlib import nullcontext
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jobs import two_troughs
from moulds import elbows, troughs

from drape.errors import InputError
from drape.geometry.surface import build
from drape.job.job import load_job
from drape.job.layers import Wrapped
from drape.layup import bed as beds
from drape.layup import ground
from drape.layup.order import layup_of
from drape.mould.closed.closed_mould import closed_mould
from drape.mould.closed.tube import distance_past_slit
from drape.mould.mould import find_mould

PLIES = [(half, "angle = 0") for half in ("lower", "upper") for _ in range(2)]
LAPS = '[joint]\nlap_half = "lower"\nlaps = [0, 0]\nset_backs = [0, 0]\n'
TURNED = LAPS.replace('"lower"', '{ "A-B.1" = "lower", "A-B.2" = "upper" }')
BEFORE = '[[joint.strips]]\nrun = "A-B.1"\nlaid = "before"\nhalf = "lower"\n'
AFTER = '[[joint.strips]]\nlaid = "after"\n'
WRAP = '[[joint.wraps]]\nseam = "{}"\nhalf = "{}"\noverlap = 8\nangle = 0\nfabric = "twill"\n'
STRIP = 'width = 8\nangle = 0\nfabric = "twill"\n'
KINDS = {
    "plies": LAPS,
    "the halves take turns": TURNED,
    "strips": LAPS + BEFORE + STRIP + AFTER + STRIP,
    "wrapped": LAPS + WRAP.format("A-B.1", "lower") + WRAP.format("A-B.2", "upper"),
}
KINDS["all"] = KINDS["strips"] + KINDS["wrapped"].removeprefix(LAPS)


@dataclass(frozen=True, eq=False)
class Laid:
    """Heights (n,), those where distances are known everywhere, and the most that they may
    differ by per mm at the ends of edges (e, 2)."""

    what: str
    vertices: np.ndarray
    edges: np.ndarray
    heights: np.ndarray
    unlimited: np.ndarray
    slope: float

    def excess(self):
        """How far neighbouring vertices differ, as a share of what they may: at most 1."""
        a, b = self.edges.T
        gap = np.linalg.norm(self.vertices[b] - self.vertices[a], axis=1)
        return float((np.abs(self.heights[b] - self.heights[a]) / (self.slope * gap)).max())

    def off(self):
        """mm"""
        return float(np.abs(self.heights - self.unlimited).max())


def edges_of(faces, number):
    """(e, 2) vertices of the faces' edges, of those with one number (n,) at both ends."""
    ends = np.sort(np.concatenate([faces[:, [k, (k + 1) % 3]] for k in range(3)]), axis=1)
    ends = np.unique(ends, axis=0)
    return ends[number[ends[:, 0]] == number[ends[:, 1]]]


def all_laid(job, closed, facet):
    """What each ply, strip and wrapped ply of a job is laid at, over all that lies below it and
    over each cloth of it alone, with ramps as long; nothing is cut."""
    out = []

    def plies(bed, ply, before, other):
        below = [([c], []) for c in before] + [([], [c]) for c in other]
        # in the middle of a half, where no lap may go, heights change from run to run
        note("ply", laying, bed, (ply, before, other), [(ply, *c) for c in below], bed.run)
        return laying(bed, ply, before, other)

    def across(bed, layers, thickness, closed=True):
        def heights(*what):
            return stack(*what, closed=closed)

        alone = [([layer], thickness) for layer in layers]
        note("across", heights, bed, (layers, thickness), alone, np.zeros(len(bed.past)))
        return heights(bed, layers, thickness)

    def note(what, heights, bed, below, alone, number):
        assert bed.facet == pytest.approx(facet, rel=1e-3)
        stitched = bed.stitched
        (own,) = (n for n in closed.mould.halves if closed.stitched(n) is stitched)
        whole = replace(bed, past=closed.past(own, 1e3))
        ramp = max(len(alone) * job.plies[0].fabric.thickness, 4.0 * facet)
        edges = edges_of(stitched.surface.faces, number)
        for each, count in [(below, len(alone)), *((one, 1) for one in alone)]:
            # a ramp is at least four facets long: as long as with all
            found = heights(replace(bed, facet=0.25 * ramp), *each)
            sure = heights(replace(whole, facet=0.25 * ramp), *each)
            slope = 1.5 * max(count, 1) * job.plies[0].fabric.thickness / ramp
            out.append(Laid(what, stitched.surface.vertices, edges, found, sure, slope))

    def unrolled(stitched, run, overlap, heights, step, ends):
        own = np.arange(len(step)) < stitched.own_count
        t, ramp = step.max(), 4.0 * facet  # all cloth is thinner than that
        x = np.clip(distance_past_slit(stitched, run, 1e3) / ramp, 0.0, 1.0)
        whole = np.where(own, t * (3.0 * x**2 - 2.0 * x**3), 0.0)
        edges = edges_of(stitched.surface.faces, np.where(own, 0, -1))
        vertices = stitched.surface.vertices
        out.append(Laid("own beginning", vertices, edges, step, whole, 1.5 * t / ramp))
        raise InputError("nothing is cut here")

    laying, stack = ground.laying_heights, ground.stack_heights
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ground, "laying_heights", plies)
        patch.setattr(ground, "stack_heights", across)
        patch.setattr(ground, "cut_wrap", unrolled)
        layup = layup_of(job, closed.mould)
        made = beds.make_beds(job, closed, layup)
        for layer in layup:
            cut = pytest.raises(InputError, match="nothing is cut here")
            with cut if isinstance(layer.layer, Wrapped) else nullcontext():
                ground.ground_of(layer, layup, job, closed, made, {"lower": None, "upper": None})
            ground.past_the_line(layer, layup, made)
    return out


def closed_of(meshes):
    mould = find_mould({n: build(*m) for n, m in meshes.items()}, closing=[0.0, 0.0, 1.0])
    return closed_mould(mould, mould)[0]


MOULDS = {  # and the size of their facets along the line, mm
    "coarse trough": (lambda: troughs(25.0, 80.0, 32, 20), 4.0),
    "fine trough": (lambda: troughs(25.0, 60.0, 96, 48), 1.25),
    # as many along the outer equator as along the inner: their mean
    "coarse elbow": (lambda: elbows(around=24, along=32), 160.0 * np.sin(np.pi / 128)),
    "fine elbow": (lambda: elbows(), 160.0 * np.sin(np.pi / 240)),
}


@pytest.fixture(scope="module")
def moulds():
    return {name: (closed_of(make()), facet) for name, (make, facet) in MOULDS.items()}


@pytest.fixture(scope="module")
def jobs(tmp_path_factory):
    return {
        name: load_job(two_troughs(tmp_path_factory.mktemp("job"), tables, PLIES))
        for name, tables in KINDS.items()
    }


def sized(job, laps, backs, width, overlap, thickness):
    """A job with other laps, set-backs, width of strips, overlap of wrapped plies, cloth."""

    def thick(each, **changes):
        return replace(each, fabric=replace(each.fabric, thickness=thickness), **changes)

    return replace(
        job,
        joint=replace(job.joint, laps=laps, set_backs=backs),
        plies=tuple(thick(p) for p in job.plies),
        strips=tuple(thick(s, width=width) for s in job.strips),
        wraps=tuple(thick(w, overlap=overlap) for w in job.wraps),
    )


# ramps of 4 facets of up to 4 mm must end short of the middle of a half, 39 mm from its runs
PLACES = st.floats(0.0, 22.0)
PAIRS = st.tuples(PLACES, PLACES)
LAPPED = st.tuples(st.floats(1.0, 22.0), PLACES)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", MOULDS)
def test_heights_go_nowhere_steeper_than_their_ramps(moulds, jobs, name, kind):
    closed, facet = moulds[name]
    worst = 0.0

    @settings(max_examples=12 if name.startswith("coarse") else 3)
    @given(LAPPED, PAIRS, st.floats(2.0, 44.0), st.floats(1.0, 22.0), st.floats(0.05, 1.0))
    def check(laps, backs, width, overlap, thickness):
        nonlocal worst
        job = sized(jobs[kind], laps, backs, width, overlap, thickness)
        laid = all_laid(job, closed, facet)
        assert laid
        for each in laid:
            # an edge's arc is up to 1 % longer than its chord
            assert each.excess() <= 1.01, each.what
            assert each.off() < 1e-9, each.what
            worst = max(worst, each.excess())

    check()
    assert worst > 0.3  # there were ramps


def row(laid):
    """Height by the distance past the line, mm, of the vertices halfway along the trough."""
    x, y, z = laid.vertices.T
    radius = 128.0 / np.pi
    past = np.arctan2(z, np.abs(y)) * radius
    at = np.abs(x) < 1e-6
    return {round(float(p)): float(h) for p, h in zip(past[at], laid.heights[at], strict=True)}


@pytest.fixture(scope="module")
def wide():
    """Radius 40.74: 128 mm round a half, a vertex every 4 mm; facets of 4 mm: ramps of 16."""
    return closed_of(troughs(128.0 / np.pi, 80.0, 32, 20))


def test_heights_of_a_wrapped_ply_over_a_lap_of_20_by_hand(tmp_path, wide):
    """Lap of 20 over a flush ply: from 12 to 28 the height goes down by one thickness."""
    joint = '[joint]\nlap_half = "lower"\nlaps = [20]\nset_backs = [0]\n'
    tables = joint + WRAP.format("A-B.1", "lower")
    one_each = [("lower", "angle = 0"), ("upper", "angle = 0")]
    job = load_job(two_troughs(tmp_path, tables, one_each))
    t = job.wraps[0].fabric.thickness
    laid = next(each for each in all_laid(job, wide, 4.0) if each.what == "across")
    found = row(laid)
    # 3x² − 2x³ is 0.15625 at a quarter, 0.84375 at three quarters
    expected = {8: 2.5, 12: 2.5, 16: 2.34375, 20: 2.0, 24: 1.65625, 28: 1.5, 32: 1.5}
    for past, plies in expected.items():
        assert found[past] == pytest.approx(plies * t, abs=1e-4), past


def test_heights_of_a_ply_over_a_set_back_wider_than_its_lap_by_hand(tmp_path, wide):
    """A lap of 4, a set-back of 16: from 16 to 32 the height goes up by one thickness."""
    joint = '[joint]\nlap_half = "lower"\nlaps = [4]\nset_backs = [16]\n'
    one_each = [("lower", "angle = 0"), ("upper", "angle = 0")]
    job = load_job(two_troughs(tmp_path, joint, one_each))
    t = job.plies[0].fabric.thickness
    laid = all_laid(job, wide, 4.0)[0]
    found = row(laid)
    expected = {0: 0.5, 16: 0.5, 20: 0.65625, 24: 1.0, 28: 1.34375, 32: 1.5, 36: 1.5}
    for past, plies in expected.items():
        assert found[past] == pytest.approx(plies * t, abs=1e-4), past
