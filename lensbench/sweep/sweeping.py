"""The door for a whole sweep: folders in, findings out."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from lensbench.edge import Method
from lensbench.model.errors import SweepError
from lensbench.model.shot import PrintProfile, RejectedShot
from lensbench.model.sweep import PlannedShot, SweepFindings, SweepShot
from lensbench.shot import Readings
from lensbench.stats import Tie
from lensbench.storage.cache import ResultCache
from lensbench.sweep.decide import find
from lensbench.sweep.gather import gather
from lensbench.sweep.reject import reject
from lensbench.sweep.run import Running, Task, run

__all__ = ["Measuring", "Sweep", "sweep"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measuring:
    """How each photograph is measured."""

    method: Method = "refined"
    pitch_um: float | None = None
    """Pixel pitch where the metadata lacks it. [um]"""
    physical: bool = False
    """Whether to tell what the blur of each edge is made of, where f-number and pitch are known."""
    encoding: str = "auto"
    """Tone curve of finished pictures: auto, linear, srgb or gamma:X."""

    def tasks(
        self, shots: Sequence[PlannedShot], *, cache: Path | None, print_profile: PrintProfile | None = None
    ) -> list[Task]:
        """Give the work on some shots, whose results are kept in the folder `cache`."""
        keep = ResultCache(folder=cache) if cache else None
        return [
            Task(
                path=shot.path,
                overrides=shot.overrides,
                method=self.method,
                pitch_um=self.pitch_um,
                cache=keep,
                print_profile=print_profile,
                readings=Readings(physical=self.physical),
                encoding=self.encoding,
            )
            for shot in shots
        ]


_USUAL = Measuring()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sweep:
    """A sweep done: what was found, and every shot it rests on."""

    findings: SweepFindings
    shots: tuple[SweepShot, ...]

    @property
    def rejected(self) -> int:
        """Photographs that could not be used, those left out by choice not counted."""
        return sum(not shot.used and not shot.planned.by_choice for shot in self.shots)


def sweep(
    folders: Sequence[Path],
    *,
    shots_csv: Path | None = None,
    measuring: Measuring = _USUAL,
    cache: Path | None = None,
    running: Running | None = None,
    print_profile: PrintProfile | None = None,
    tie: Tie = Tie.BEST,
) -> Sweep:
    """Measure the test shots in some folders and find the best settings.

    Parameters
    ----------
    folders : paths
        Read, never written to.
    shots_csv : path, optional
        A shots table.
    measuring : Measuring, optional
        How each photograph is measured.
    cache : path, optional
        Folder where results are kept for a second run.
    running : Running, optional
        How the work is spread; over all processors by default.
    print_profile : PrintProfile, optional
        Of the print that was photographed; it is divided out of every shot.
    tie : Tie, optional
        Which of several equally good stops the answer names as the one to take.

    Raises
    ------
    SweepError
        No photograph in the folders can be used.
    ImageError
        A folder is not there.
    SettingError
        The shots table cannot be used.
    """
    planned = gather(folders, shots_csv)
    wanted = [shot for shot in planned if not shot.left_out]
    tasks = measuring.tasks(wanted, cache=cache, print_profile=print_profile)
    outcomes = run(tasks, running or Running())
    by_path = {shot.path: outcome for shot, outcome in zip(wanted, outcomes, strict=True)}
    shots = reject(
        [
            SweepShot(
                planned=shot,
                result=by_path.get(shot.path) or RejectedShot(path=shot.path, reason=shot.left_out),
            )
            for shot in planned
        ]
    )
    if not any(shot.used for shot in shots):
        first = next(shot for shot in shots if not shot.planned.by_choice)
        reason = first.result.reason if isinstance(first.result, RejectedShot) else first.reason
        raise SweepError(
            f"none of {len(shots)} photographs could be measured; {first.planned.path.name}: {reason}"
        )
    return Sweep(findings=find(shots, method=measuring.method, tie=tie), shots=tuple(shots))
