"""Documents and tables of results: JSON as the commands print it, and the one way to a DataFrame."""

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import pandas as pd

    from lensbench.model.sweep import SweepShot

Places = str | Path | Iterable[str | Path]
"""One file or folder, or several."""
_CURVES: Final = frozenset({"frequency_cypx", "sfr", "sfr_sd"})


def paths_of(places: Places) -> list[Path]:
    """Paths, of one place or of several."""
    return [Path(places)] if isinstance(places, (str, Path)) else [Path(place) for place in places]


def compact_json(form: Mapping[str, Any]) -> str:
    """JSON on one line; NaN has become None before."""
    return json.dumps(form, allow_nan=False)


def record_json(record: object) -> str:
    """JSON of a record, field by field, without signs that a terminal would obey."""
    from lensbench.report import json_text, plain

    return json_text(plain(record)).decode()


def rows_frame(forms: Iterable[Mapping[str, Any]]) -> "pd.DataFrame":
    """One row a document, without its curves."""
    import pandas as pd

    return pd.DataFrame([{name: form[name] for name in form if name not in _CURVES} for form in forms])


def shots_frame(shots: "Sequence[SweepShot]") -> "pd.DataFrame":
    """One row a photograph, the rejected ones included, with the columns of shots.csv."""
    from lensbench.report import shots_table

    return shots_table(shots)
