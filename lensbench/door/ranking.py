"""Near-identical frames of any scene, in order of sharpness."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from lensbench.door.documents import Places, paths_of, record_json, rows_frame
from lensbench.model.errors import SettingError
from lensbench.rank import PairOdds, Ranking, frames_of
from lensbench.rank import rank as rank_frames
from lensbench.sweep import copies_among

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RankResult:
    """Frames in order, the sharpest first."""

    ranking: Ranking
    copies: dict[Path, Path]
    """Files of equal content with another, which were left out: copy -> original."""

    @property
    def neighbours(self) -> tuple[PairOdds, ...]:
        """Odds of each frame against the next in the order."""
        frames = [frame.photo for frame in self.ranking.frames]
        following = dict(pairwise(frames))
        return tuple(pair for pair in self.ranking.pairs if following.get(pair.sharper) == pair.softer)

    def to_json(self) -> str:
        """Document that `lensbench rank --json` prints."""
        return record_json(self.ranking)

    def to_pandas(self) -> "pd.DataFrame":
        """One row a frame, the sharpest first."""
        from lensbench.report import plain

        return rows_frame(plain(frame) for frame in self.ranking.frames)


def rank(photos: Places, *, progress: Callable[[int, int], None] | None = None) -> RankResult:
    """Put near-identical frames of any scene in order of sharpness; no chart is needed.

    Parameters
    ----------
    photos : paths
        Two or more frames of one scene, of one camera, or their folder.
    progress : callable, optional
        Called with how many frames are done, of how many.

    Raises
    ------
    SettingError
        Fewer than two photographs, one named twice, or frames of different kinds.
    SweepError
        The frames do not show the same scene.
    ImageError
        A folder cannot be read.
    """
    paths = frames_of(paths_of(photos))
    copies = copies_among(paths)
    frames = [path for path in paths if path not in copies]
    if len(frames) < 2:
        raise SettingError(
            "only one photograph is there, and copies of it; give two or more of the same scene"
        )
    return RankResult(ranking=rank_frames(frames, progress=progress), copies=copies)
