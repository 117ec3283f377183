"""What the pin-jointed net means, and doesn't, for cloth that isn't woven.

The net is made of two families of yarns that keep their length and are pinned to each other
where they cross. Woven cloth is close to that. The notes on the others are common practice,
from memory.
"""

from __future__ import annotations

from collections.abc import Iterable

from drape.errors import Finding
from drape.fabric.fabric import Fabric, Kind

MEANING: dict[Kind, tuple[str, str]] = {
    "unidirectional": (
        "the net assumes a second family of yarns across the fibre, pinned to the first, that "
        "keep their length: unidirectional tape has none. It spreads, gapes and slides between its "
        "fibres, and has no locking angle. Trust outline and fibre direction only where the shear "
        "is small",
        "read the shear as how much the tape has to give, cut narrower strips where that is more "
        "than a few degrees, and lay a trial ply",
    ),
    "non-crimp": (
        "the net treats the two layers of fibre of non-crimp cloth as yarns pinned to each other. "
        "Under the stitches they slide, so the outline is less certain. The stitches may let the "
        "cloth shear farther one way than the other, but only one locking angle is used. Cloth "
        "with more than two directions of fibre doesn't shear like a net at all",
        "give the angle of the first layer's fibre, not the roll's, give the lower of the two "
        "locking angles, and lay a trial ply",
    ),
}


def kind_findings(fabrics: Iterable[Fabric]) -> list[Finding]:
    """One note for each fabric that isn't woven: how to read what is computed for it.

    Parameters
    ----------
    fabrics : iterable of Fabric
        Those that plies use; one that comes twice is reported once.
    """
    by_name = {f.name: f for f in fabrics if f.kind in MEANING}
    return [Finding("note", (f"fabric {name}",), *MEANING[f.kind]) for name, f in by_name.items()]
