"""What cuts an edge out along each of its segments: found with the mould, and kept by what is
made of it: trimmed, made to conform, stitched, cut into bands. Elementary geometry.

Tries out ``closed/band``, ``closed/cut_edges``, ``mould/region`` as well.
"""

import numpy as np
import pytest
from exact import shapes
from exact.split_tubes import HALVES, Oval, SplitTube, Step, bend
from placed import Placed

from drape.geometry.surface import build, unit
from drape.mould.closed.band import cut_band
from drape.mould.closed.conform import conform
from drape.mould.closed.stitched import stitch
from drape.mould.mould import find_mould
from drape.mould.region import plain_region
from drape.mould.trim import trim_region

ELBOW = SplitTube(bend(260, 1.2), Oval(), 26, 26)
STEPPED = SplitTube(bend(260, 1.2), Oval(), 26, 26, step=Step(12, 110, 8, True))
ROUNDING = np.sin(np.radians(0.02))


def chords(region, edge):
    a, b = np.moveaxis(region.surface.vertices[edge.segments], 1, 0)
    return unit(b - a)


def check(region, kinds=("parting", "mouth", "trim"), limit=ROUNDING):
    """Each segment has one, of length 1, and lies in what it is the normal of."""
    assert {e.kind for e in region.edges} & set(kinds)
    for edge in region.edges:
        if edge.kind in kinds:
            assert edge.sections.shape == (len(edge.vertices) - (not edge.closed), 3)
            assert np.linalg.norm(edge.sections, axis=1) == pytest.approx(1.0)
            off = np.einsum("si,si->s", chords(region, edge), edge.sections)
            assert np.abs(off).max() < limit, edge.name


def aligned(sections, normal):
    return np.abs(sections @ normal) > np.cos(np.radians(0.05))


@pytest.mark.parametrize("form", ["solid", "sheet"])
def test_a_level_flange_cuts_runs_and_planes_cut_mouths(form):
    placed = Placed(ELBOW, form, 4)
    for half in placed.mould.halves.values():
        check(half.region)
        assert {e.name for e in half.region.edges} == {"A", "B", "A-B.1", "A-B.2"}
        for edge in half.region.edges:
            normal = placed.up
            if edge.kind == "mouth":
                normal = next(m.normal for m in placed.mould.mouths if m.name == edge.name)
            assert aligned(edge.sections, normal).all()


def test_a_stepped_flange_has_its_facets_normals_with_a_kink_between():
    placed = Placed(STEPPED, "solid", 4)
    region = placed.mould.halves["lower"].region
    check(region)
    assert [e.kind for e in region.edges].count("parting") == 2
    for edge in region.edges:
        if edge.kind == "parting":
            lean = np.degrees(np.arccos(np.clip(np.abs(edge.sections @ placed.up), 0.0, 1.0)))
            level = lean < 0.05
            assert level.any()
            assert not level.all()
            assert lean[~level].min() > 5.0  # nothing between: one normal to a segment


def test_without_a_flange_the_plane_that_an_edge_lies_in():
    """A cap of a ball has its rim's; a trough's straight sides have none of their own."""
    faces = shapes.hemisphere(40.0, 20)
    region = find_mould({"lower": build(*faces)}, closing=[0, 0, 1]).halves["lower"].region
    (rim,) = region.edges
    assert rim.closed
    assert aligned(rim.sections, np.array([0.0, 0.0, 1.0])).all()
    sheet = build(*shapes.trough(25.0, 64.0, 16, 7))
    region = find_mould({"lower": sheet}, closing=[0, 0, 1]).halves["lower"].region
    check(region, kinds=("mouth",))
    for edge in region.edges:
        if edge.kind == "parting":
            assert np.isnan(edge.sections).all()
    bare = plain_region(sheet).edges[0]
    assert bare.sections is None
    assert np.isnan(bare.section_normals).all()
    assert bare.section_normals.shape == (len(bare.segments), 3)


def trimmed(tube):
    """The mould, of meshes that don't match, and its regions cut aslant within the mouths."""
    surfaces = {}
    for half, along, around in zip(HALVES, (90, 121), (40, 52), strict=True):
        mesh = tube.mesh(half, "solid", along=along, around=around)
        surfaces[half] = build(mesh.vertices, mesh.faces)
    mould = find_mould(surfaces)
    regions = {}
    for name, half in mould.halves.items():
        region = half.region
        for mouth in mould.mouths:
            normal = unit(mouth.normal + 0.2 * mould.closing)
            region, _ = trim_region(region, mouth.name, mouth.centre - 17.0 * normal, normal)
        regions[name] = region
    return mould, regions


def test_a_trim_line_has_its_plane_and_runs_are_shortened_with_theirs():
    mould, regions = trimmed(STEPPED)
    for half, region in regions.items():
        check(region)
        assert {e.kind for e in region.edges} == {"parting", "trim"}
        old = mould.halves[half].region
        for edge in region.edges:
            if edge.kind == "trim":
                assert aligned(edge.sections, edge.cut_normals[0]).all()
            else:
                assert len(edge.sections) < len(old.edge(edge.name).sections)


def test_halves_that_conform_keep_theirs():
    _, regions = trimmed(ELBOW)
    made, _ = conform(regions)
    assert set(made) == set(regions) == set(HALVES)
    for half, region in made.items():
        for name in ("A-B.1", "A-B.2"):
            edge, old = region.edge(name), regions[half].edge(name)
            assert len(edge.vertices) > len(old.vertices)
            assert len(edge.sections) == len(edge.vertices) - 1
            assert aligned(edge.sections, old.sections[0]).all()


def test_of_a_stepped_run_each_part_of_a_segment_has_that_segment_s():
    _, regions = trimmed(STEPPED)
    made, _ = conform(regions)
    assert set(made) == set(regions) == set(HALVES)
    for half, region in made.items():
        for name in ("A-B.1", "A-B.2"):
            edge, old = region.edge(name), regions[half].edge(name)
            of = np.cumsum(np.isin(edge.vertices[:-1], old.vertices)) - 1  # old ones keep their ids
            assert np.array_equal(edge.sections, old.sections[of])


def test_the_closed_mould_and_its_bands_keep_those_of_the_mouths():
    _, regions = trimmed(ELBOW)
    made, _ = conform(regions)
    stitched = stitch(*made.values())
    check(stitched.region, kinds=("trim",))
    ends = [e for e in stitched.region.edges if e.kind == "trim"]
    assert {e.name for e in ends} == {"A", "B"}
    band = cut_band(
        stitched, "A-B.1", 30.0, np.zeros(len(stitched.surface.vertices)), ("near", "far")
    )
    found = [e for e in band.region.edges if e.kind == "trim"]
    assert {e.name for e in found} == {"A", "B"}
    for edge in found:
        check(band.region, kinds=("trim",), limit=3e-3)  # its corners lie on smooth edges
        assert aligned(edge.sections, regions[HALVES[0]].edge(edge.name).sections[0]).all()
    sides = [e for e in band.region.edges if e.kind == "border"]
    assert [bool(np.isnan(e.section_normals).all()) for e in sides] == [True, True]
