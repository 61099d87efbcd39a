"""One photograph as a task: what is to be measured, and what comes of it, wherever that is done."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from lensbench import shot
from lensbench.model.errors import LensError, MemoryShortError, UnreadableError
from lensbench.model.shot import ChartEdge, Metadata, PrintProfile, RejectedShot, ShotResult
from lensbench.photo import check_file, decoder_versions, refusal
from lensbench.shot.options import MeasureOptions
from lensbench.storage.cache import ResultCache, content_hash

_USUAL: Final = MeasureOptions()


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One photograph to be measured."""

    path: Path
    options: MeasureOptions = _USUAL
    overrides: Metadata | None = None  # what the shots table says instead of the metadata
    cache: ResultCache | None = None  # where the result is kept, and looked for first


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A result that stands in the task's cache."""

    name: str
    digest: str = ""
    """Of the photograph's content."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unkept:
    """An outcome for which the task's cache has no room."""

    outcome: ShotResult | RejectedShot
    name: str
    """Under which it should stand there."""
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortOfMemory:
    """What came of a photograph for which the memory did not suffice."""

    reason: str


Outcome = ShotResult | RejectedShot
Given = Outcome | Kept | Unkept | ShortOfMemory
Measure = Callable[[Task], Given]


def measure_one(task: Task) -> Given:
    """Measure one photograph, unless its result is kept; what cannot be measured comes back with the reason."""
    digest = ""
    try:
        check_file(task.path)
        if task.cache:
            digest = content_hash(task.path)
            name = name_of(task, digest)
            if task.cache.get(name, task.path):
                return Kept(name=name, digest=digest)
    except (LensError, OSError, MemoryError) as raised:
        return _refused(task, raised)[0]
    outcome, lasting = measured(task)
    return keep(task, outcome, digest) if lasting else outcome


def measured(task: Task) -> tuple[Outcome | ShortOfMemory, bool]:
    """What comes of a photograph, and whether it would come of it another time, too, and may be kept.

    What the file itself is to blame for is kept like a result; what may go better another time is not.
    """
    try:
        check_file(task.path)
        result = shot.measure_shot(task.path, task.options, overrides=task.overrides)
        return replace(result, edges=tuple(map(_without_esf, result.edges))), True
    except (LensError, OSError, MemoryError) as raised:
        return _refused(task, raised)


def _without_esf(edge: ChartEdge) -> ChartEdge:
    """The edge without its edge spread function, most of its bytes, which nothing asks for once its SFR is known."""
    none = np.empty(0)
    return replace(edge, edge=replace(edge.edge, esf_position_px=none, esf=none))


def _refused(task: Task, raised: Exception) -> tuple[Outcome | ShortOfMemory, bool]:
    error = raised if isinstance(raised, LensError) else refusal(task.path, raised)
    reason = without_path(str(error), task.path)
    if isinstance(error, MemoryShortError):
        return ShortOfMemory(reason=reason), False
    return RejectedShot(path=task.path, reason=reason), not isinstance(error, UnreadableError)


def keep(task: Task, outcome: Outcome | ShortOfMemory, digest: str) -> Given:
    """Put an outcome that lasts into the task's cache, under the digest of the photograph's content."""
    if isinstance(outcome, ShortOfMemory) or not task.cache or not digest:
        return outcome
    if isinstance(outcome, ShotResult):
        outcome = replace(outcome, sha256=digest)
    name = name_of(task, digest)
    try:
        task.cache.put(name, outcome)
    except OSError as error:  # the cache's fault is not the photograph's
        return Unkept(outcome=outcome, name=name, reason=error.strerror or str(error))
    return Kept(name=name, digest=digest)


def name_of(task: Task, digest: str) -> str:
    """Name under which a photograph of this content is kept; empty without a cache."""
    plain = replace(task.options, print_profile=None)
    settings = f"{decoder_versions()}|{plain}|{task.overrides}{_fingerprint(task.options.print_profile)}"
    return task.cache.name(task.path, settings, digest) if task.cache else ""


def _fingerprint(profile: PrintProfile | None) -> str:
    """Tell profiles apart by their figures, so that a kept result is not taken for another print's."""
    if profile is None:
        return ""
    figures = (profile.edge_sigma_mm, profile.edge_sigma_sd_mm, *profile.frequency_cymm.tolist())
    return f"|{profile.name}|{figures}|{profile.mtf.tolist()}|{profile.mtf_sd.tolist()}"


def without_path(message: str, path: Path) -> str:
    """Give a message about a file without the file's name at its head; a record names it already."""
    return message.removeprefix(f"{path}: ").removeprefix(f"{path.name}: ")
