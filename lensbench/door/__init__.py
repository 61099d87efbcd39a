"""The public interface, behind `import lensbench`: what users of Python call, and what the commands call.

Each function takes paths as text or `Path` and one record of options, and gives one result record, whose `.to_json()`
is the document that the command prints with `--json`, and whose `.to_pandas()` is its main table.
"""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd


def rows_frame(forms: Iterable[Mapping[str, Any]]) -> "pd.DataFrame":
    """One row a document, without its curves."""
    import pandas as pd

    curves = {"frequency_cypx", "sfr", "sfr_sd"}
    return pd.DataFrame([{name: form[name] for name in form if name not in curves} for form in forms])
