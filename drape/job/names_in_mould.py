"""Checks the names of edges and mouths in a job against those of the mould."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from drape.errors import InputError, raise_any
from drape.job.allowance import Stations
from drape.job.job import Job
from drape.job.toml_lines import KeyPath, suggestion


def check_edge_names(
    job: Job,
    edges: Mapping[str, Collection[str]],
    mouths: Collection[str],
    runs: Collection[str],
) -> None:
    """Check the job's edge names against those of the mould.

    Parameters
    ----------
    job : Job
    edges : mapping of half to the names of its edges
        In the job's names (``Job.edge_name``).
    mouths, runs : names of the mouths and of the parting line's runs, likewise

    Raises
    ------
    InputError
        An allowance, edge to trim, lap half or trim line names something that isn't there; a
        run has no lap half. ``InputErrors``, which is one too, where several are wrong.
    """
    errors = _lap_half_errors(job, runs)
    for strip in job.strips:
        if strip.run is not None and strip.run not in runs:
            path: KeyPath = ("joint", "strips", strip.index, "run")
            errors.append(_unknown(job, path, "no such run", runs, strip.run))
    for wrapped in job.wraps:
        if wrapped.seam not in runs:
            path = ("joint", "wraps", wrapped.index, "seam")
            errors.append(_unknown(job, path, "no such run", runs, wrapped.seam))
    for trim in job.trims:
        if trim.mouth not in mouths:
            errors.append(_unknown(job, ("mould", "trim", trim.mouth), "no such mouth", mouths))
    for ply in job.plies:
        for name, own in ply.allowances.items():
            if name in edges[ply.half] and isinstance(own, Stations):
                errors += _station_errors(job, ("plies", ply.index, "allowances", name), runs)
            if name not in edges[ply.half]:
                path = ("plies", ply.index, "allowances", name)
                errors.append(_unknown(job, path, "no such edge", edges[ply.half]))
        for i, name in enumerate(ply.trim_in_mould):
            if name not in edges[ply.half]:
                path = ("plies", ply.index, "trim_in_mould", i)
                errors.append(_unknown(job, path, "no such edge", edges[ply.half], name))
    raise_any(errors)


def _unknown(
    job: Job, path: KeyPath, what: str, known: Collection[str], word: str = ""
) -> InputError:
    word = word or str(path[-1])
    limit, remedy = ", ".join(known) or "none", suggestion(word, known)
    return InputError(what, value=word, limit=limit, remedy=remedy, where=job.file.where(path))


def _station_errors(job: Job, path: KeyPath, runs: Collection[str]) -> list[InputError]:
    """Stations on an edge that has no start to count from."""
    name = str(path[-1])
    if name in runs and "-" in name:
        return []
    what = "stations are for runs of the parting line between mouths only"
    return [InputError(what, value=name, remedy="give one number", where=job.file.where(path))]


def _lap_half_errors(job: Job, runs: Collection[str]) -> list[InputError]:
    """Runs named that aren't there, and runs not named, where the lap half goes by run."""
    named = job.joint.lap_half if job.joint else None
    if named is None or isinstance(named, str):
        return []
    path: KeyPath = ("joint", "lap_half")
    out = [_unknown(job, (*path, r), "no such run", runs) for r in named if r not in runs]
    missing = [r for r in runs if r not in named]
    if missing:
        remedy = f'add "{missing[0]}" = the half whose plies lap there'
        error = InputError(
            "a run of the parting line has no lap half",
            value=", ".join(missing),
            remedy=remedy,
            where=job.file.where(path),
        )
        out.append(error)
    return out
