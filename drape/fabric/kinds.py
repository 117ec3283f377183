"""What the pin-jointed net means, and doesn't, for cloth that isn't woven.

The net is made of two families of yarns that keep their length and are pinned to each other
where they cross. Woven cloth is close to that. What is said of the others here is common
practice, from memory.
"""

from __future__ import annotations

from collections.abc import Iterable

from drape.errors import Finding
from drape.fabric.fabric import Fabric, Kind

MEANING: dict[Kind, tuple[str, str]] = {
    "unidirectional": (
        "unidirectional: the net takes the direction across the fibre for a second family of "
        "yarns that keep their length, pinned to the first. Tape has none: it spreads, gapes and "
        "slides between its fibres, and has no locking angle. Outline and fibre direction mean "
        "something where the shear is small; where it isn't, they don't",
        "read the shear as how much the tape would have to give; cut narrower strips where that "
        "is more than a few degrees, and lay a trial ply",
    ),
    "non-crimp": (
        "non-crimp: the net takes two crossing layers of fibre for yarns pinned to each other. "
        "Under stitches they slide, so the outline is less sure; stitches may let the cloth shear "
        "further one way than the other, but one locking angle counts for both ways here; cloth "
        "with more than two directions of fibre doesn't shear like a net at all",
        "give the angle of the first layer's fibre, not the roll's, and the lower of the two "
        "locking angles; lay a trial ply",
    ),
}


def kind_findings(fabrics: Iterable[Fabric]) -> list[Finding]:
    """One note for each fabric that isn't woven: how to read what is computed for it.

    Parameters
    ----------
    fabrics : iterable of Fabric
        Those that plies use; one that comes twice is told once.
    """
    by_name = {f.name: f for f in fabrics if f.kind in MEANING}
    return [Finding("note", (f"fabric {name}",), *MEANING[f.kind]) for name, f in by_name.items()]
