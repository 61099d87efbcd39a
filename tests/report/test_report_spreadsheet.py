"""The tables opened by LibreOffice Calc, in English and in German, show what they hold: numbers, and names as text.

Calc is asked by its headless converter, with the settings that its window offers for such a file: commas, UTF-8.
"""

import dataclasses
import io
import os
import shutil
import subprocess
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from invented_shoot import invented_shots

from lensbench.model.shot import Metadata
from lensbench.report.out.tables import as_csv, edges_table, shots_table

CALC = shutil.which("soffice")
# Separator 44 «,», quote 34 «"», character set 76 UTF-8, from line 1; language 0 is the user's own.
# LibreOffice, Filter Options for CSV, tokens 1 to 6.
READ = "CSV:44,34,76,1,,0"
PROFILE = """<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry">
<item oor:path="/org.openoffice.Setup/L10N"><prop oor:name="ooSetupSystemLocale" oor:op="fuse">
<value>{language}</value></prop></item></oor:items>
"""


@pytest.fixture(scope="module")
def tables():
    shots = invented_shots()[:2]
    metadata = Metadata(exposure_s=1 / 125, iso=100, taken_at="2026-05-14T09:30:15")
    name = Path("shoot/schräg, weit.dng")
    plan = dataclasses.replace(shots[0].planned, path=name, metadata=metadata, condition="1/60")
    shots[0] = dataclasses.replace(shots[0], planned=plan)
    return {"shots": pd.DataFrame(shots_table(shots)), "edges": pd.DataFrame(edges_table(shots))}


@pytest.fixture(scope="module", params=["en-US", "de-DE"])
def opened(request, tables, tmp_path_factory):
    """Each table as Calc holds it: its cells, and which of them it takes for text."""
    if CALC is None:
        if os.environ.get("CI") == "true":
            pytest.fail("LibreOffice Calc is missing: apt-get install libreoffice-calc-nogui")
        pytest.skip("LibreOffice Calc is not installed")
    folder = tmp_path_factory.mktemp("calc")
    settings = folder / "profile" / "user" / "registrymodifications.xcu"
    settings.parent.mkdir(parents=True)
    settings.write_text(PROFILE.format(language=request.param), encoding="utf-8")
    for name, table in tables.items():
        (folder / f"{name}.csv").write_bytes(as_csv(table.to_dict("list")))
    subprocess.run(
        [
            *(
                CALC,
                f"-env:UserInstallation={settings.parents[1].as_uri()}",
                "--headless",
                f"--infilter={READ}",
            ),
            *(
                "--convert-to",
                "fods",
                "--outdir",
                str(folder),
                *(str(folder / f"{name}.csv") for name in tables),
            ),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    return {name: cells_of(folder / f"{name}.fods") for name in tables}


def cells_of(path: Path) -> list[list[str | float]]:
    """Cells of a flat OpenDocument table: numbers as numbers, whatever is shown; trailing empty ones are left out."""
    office, table = (f"{{urn:oasis:names:tc:opendocument:xmlns:{kind}:1.0}}" for kind in ("office", "table"))
    rows = []
    for row in ET.parse(path).iter(f"{table}table-row"):  # noqa: S314  Calc wrote it just now
        cells: list[str | float] = []
        for cell in row.iter(f"{table}table-cell"):
            number = cell.get(f"{office}value")
            content = "".join(cell.itertext()).strip() if number is None else float(number)
            cells += [content] * min(int(cell.get(f"{table}number-columns-repeated", "1")), 100)
        while cells and cells[-1] == "":
            cells.pop()
        rows += [cells] * bool(cells)
    return rows


@pytest.mark.parametrize("name", ["edges", "shots"])
def test_every_cell_is_what_the_table_holds(opened, tables, name):
    expected, (header, *rows) = tables[name], opened[name]
    assert header == list(expected.columns)
    assert len(rows) == len(expected)
    for row, (_, wanted) in zip(rows, expected.iterrows(), strict=True):
        for column, cell in zip(expected.columns, [*row, *[""] * (len(header) - len(row))], strict=True):
            value = wanted[column]
            if isinstance(value, str):
                # Dates are shown as Calc knows them; all other text stands as it is, paths and fractions too.
                assert column == "taken_at" or cell == value, column
            elif value is None or np.isnan(value):
                assert cell == "", column
            else:
                assert cell == pytest.approx(value, rel=1e-6), column  # seven digits


@pytest.mark.parametrize("name", ["edges", "shots"])
def test_pandas_reads_the_same_numbers(tables, name):
    read = pd.read_csv(io.BytesIO(as_csv(tables[name].to_dict("list"))))
    for column in tables[name].select_dtypes("number"):
        assert read[column].to_numpy(float) == pytest.approx(
            tables[name][column].to_numpy(float), rel=1e-6, nan_ok=True
        )
    assert read["f_number"][0] == 2.8  # to the last bit, as a filter by the stop needs it
