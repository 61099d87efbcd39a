from pathlib import Path

import pytest
from invented_shoot import invented_comparison, invented_findings, invented_shots

from lensbench.report.out.write import write_compare, write_sweep


@pytest.fixture(scope="session")
def sweep_folder(tmp_path_factory) -> Path:
    """The folder that the invented shoot leaves behind."""
    folder = tmp_path_factory.mktemp("sweep") / "report"
    write_sweep(invented_findings(), invented_shots(), folder)
    return folder


@pytest.fixture(scope="session")
def compare_folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("compare") / "report"
    write_compare(invented_comparison(), folder)
    return folder
