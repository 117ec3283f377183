"""The table ``[bag]``: its units and defaults."""

from __future__ import annotations

from job_texts import JOB, replaced


def test_bag(load):
    """Percentages become shares; what isn't given has its default; none without the table."""
    assert load(JOB).bag is None
    film = "[bag]\noversize = 12\nstock = [50, 80]\ntail = 100\nleast_radius = 4\n[report]"
    bag = load(replaced("[report]", film)).bag
    assert (bag.options.kind, bag.options.oversize, bag.options.tail) == ("film", 0.12, 100.0)
    assert (bag.options.least_radius, bag.stock) == (4.0, (50.0, 80.0))
    assert (bag.process, bag.pressure) == ("envelope", None)
    keys = "kind = 'stretch'\nundersize = 20\nmost_stretch = 80\nleast_radius = 0.5\n"
    keys += "process = 'clamped'\npressure = 2.5"
    bag = load(replaced("[report]", f"[bag]\n{keys}\n[report]")).bag
    assert (bag.options.undersize, bag.options.most_stretch) == (0.2, 0.8)
    assert (bag.options.least_radius, bag.process, bag.pressure) == (0.5, "clamped", 2.5)
    bag = load(replaced("[report]", "[bag]\nenvelope_oversize = 15\n[report]")).bag
    assert bag.options.envelope_ease == 0.15
