"""What holds for every test: one thread for linear algebra, as in the program; more would only wait for each other.

Nor do reports have a second process to draw their plots: both processors have tests to run.
"""

import pytest

from lensbench.cli.main import one_thread

one_thread()  # before numpy is imported


@pytest.fixture(autouse=True, scope="session")
def _plots_drawn_here():
    from lensbench.report.draw import beside  # noqa: PLC0415  numpy with it

    beside.worth_a_process = lambda _plots: False
