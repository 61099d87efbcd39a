"""A whole sweep: folders in, findings out; its front half serves every study of many photographs."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from lensbench.model.errors import SettingError, SweepError
from lensbench.model.shot import RejectedShot
from lensbench.model.sweep import PlannedShot, SweepFindings, SweepShot
from lensbench.shot import MeasureOptions
from lensbench.stats import Tie
from lensbench.storage.cache import ResultCache
from lensbench.sweep.decide import find
from lensbench.sweep.gather import gather
from lensbench.sweep.reject import reject, reject_flagged, rejections
from lensbench.sweep.run import Running, Task, run

_USUAL: Final = MeasureOptions()
_MOST_NAMED: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sweep:
    """A sweep done: what was found, and every shot it rests on."""

    findings: SweepFindings
    shots: tuple[SweepShot, ...]

    @property
    def rejected(self) -> tuple[RejectedShot, ...]:
        """Photographs that could not be used, those left out by choice not counted."""
        return rejections(self.shots)


def sweep(
    folders: Sequence[Path],
    *,
    shots_csv: Path | None = None,
    options: MeasureOptions = _USUAL,
    cache: Path | None = None,
    running: Running | None = None,
    tie: Tie = Tie.BEST,
) -> Sweep:
    """Best settings of the lenses whose test shots lie in some folders.

    Parameters
    ----------
    folders : paths
        Read, never written to.
    shots_csv : path, optional
        A shots table.
    options : MeasureOptions, optional
        How each photograph is measured.
    cache : path, optional
        Folder where results are kept for a second run.
    running : Running, optional
        How the work is spread; over all processors by default.
    tie : Tie, optional
        Which of several equally good stops the answer names as the one to take.

    Raises
    ------
    SweepError
        No photograph in the folders can be used.
    ImageError
        A folder is not there.
    SettingError
        The shots table cannot be used, or one pitch was given for several cameras.
    """
    planned = gather(folders, shots_csv)
    shots = reject(measured_shots(planned, options, cache=cache, running=running))
    if not any(shot.used for shot in shots):
        first = rejections(shots)[0]
        raise SweepError(
            f"none of {len(shots)} photographs could be measured; {first.path.name}: {first.reason}"
        )
    return Sweep(findings=find(shots, method=options.method, tie=tie), shots=tuple(shots))


def measured_shots(
    planned: Sequence[PlannedShot],
    options: MeasureOptions = _USUAL,
    *,
    cache: Path | None = None,
    running: Running | None = None,
) -> list[SweepShot]:
    """Gathered photographs, measured, those marked that their own flags reject; in the order given.

    Parameters
    ----------
    planned : sequence of PlannedShot
        As `gather` gives them; a pitch of the shots table wins over that of the options.
    options, cache, running
        As for `sweep`.

    Raises
    ------
    SettingError
        The pitch of the options would stand for several cameras.
    """
    wanted = [shot for shot in planned if not shot.left_out]
    cameras = list(dict.fromkeys(shot.camera for shot in wanted if shot.pitch_um is None))
    if (
        options.pitch_um is not None and len(cameras) > 1
    ):  # all figures but one camera's would be wrong in lp/mm
        names = ", ".join(cameras[:_MOST_NAMED]) + (", ..." if len(cameras) > _MOST_NAMED else "")
        raise SettingError(
            f"--pitch-um {options.pitch_um:g} cannot hold for {len(cameras)} cameras ({names}): name each camera's "
            "pitch in a shots table (--shots), in its column pitch_um"
        )
    kept = ResultCache(folder=cache) if cache else None
    tasks = [
        Task(
            path=shot.path,
            options=replace(options, pitch_um=shot.pitch_um or options.pitch_um),
            overrides=shot.overrides,
            cache=kept,
        )
        for shot in wanted
    ]
    outcomes = run(tasks, running or Running())
    left_out = {shot.path: RejectedShot(path=shot.path, reason=shot.left_out) for shot in planned}
    results = left_out | dict(zip((shot.path for shot in wanted), outcomes, strict=True))
    return reject_flagged([SweepShot(planned=shot, result=results[shot.path]) for shot in planned])
