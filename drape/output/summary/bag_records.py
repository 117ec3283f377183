"""The bag of a job as a record of the summary."""

from __future__ import annotations

import dataclasses

from drape.bag.bag import Envelope
from drape.bag.forces import BagForces
from drape.bag.hollow import Hollow
from drape.output.summary import models as record
from drape.output.summary.base import number


def bag_record(hollow: Hollow) -> record.Bag:
    """The summary's ``bag``."""
    bag, film = hollow.bag, hollow.options.kind == "film"
    return record.Bag(
        kind=hollow.options.kind,
        largest_girth_mm=number(bag.largest_girth_mm),
        smallest_girth_mm=number(bag.smallest_girth_mm),
        lay_flat_mm=number(bag.lay_flat_mm if film else bag.bladder_lay_flat_mm),
        stock_mm=bag.stock_mm,
        stretch=None if film else number(bag.bladder_stretch, 6),
        length_mm=number(bag.length_mm),
        ways=tuple(
            record.Way(name=name, length_mm=round(length, 3))
            for name, length in hollow.lengths.items()
        ),
        sections=tuple(
            record.HollowSection(
                station_mm=round(s.along, 3),
                girth_mm=number(s.girth),
                mould_girth_mm=round(s.mould_girth, 3),
                branch=s.branch or None,
                fork=s.fork,
                centre_mm=s.centre,
            )
            for s in hollow.sections
        ),
        envelope=None if hollow.around is None else _envelope_record(hollow.around),
        forces=None if hollow.forces is None else _forces_record(hollow.forces),
    )


def _envelope_record(around: Envelope) -> record.Envelope:
    return record.Envelope(
        **{name: round(value, 3) for name, value in dataclasses.asdict(around).items()}
    )


def _forces_record(forces: BagForces) -> record.Forces:
    return record.Forces(
        pressure_bar=forces.pressure_bar,
        projected_area_mm2=round(forces.projected_area_mm2, 3),
        opening_force_n=round(forces.opening_force_n, 3),
        mouths=tuple(
            record.Thrust(
                mouth=name,
                area_mm2=round(area, 3),
                end_thrust_n=round(forces.end_thrusts_n[name], 3),
            )
            for name, area in forces.mouth_areas_mm2.items()
        ),
        caution=forces.caution,
    )
