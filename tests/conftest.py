"""What holds for every test: one thread for linear algebra, as in the program; more would only wait for each other.

Nor do reports have a second process to draw their plots: both processors have tests to run. Files of plots have a
quarter of their dots, unless a test looks at them.
"""

import pytest

from lensbench.cli.main import one_thread

one_thread()  # before numpy is imported


@pytest.fixture(autouse=True, scope="session")
def plots_drawn_here_and_coarsely():
    from lensbench.report.draw import beside, render  # noqa: PLC0415  numpy with it

    beside.worth_a_process = lambda _plots: False
    fine, render.DOTS_PER_INCH = render.DOTS_PER_INCH, render.DOTS_PER_INCH // 4
    return fine


@pytest.fixture(scope="module")
def fine_files(plots_drawn_here_and_coarsely):
    """Files of plots in this module as the program makes them."""
    from lensbench.report.draw import render  # noqa: PLC0415

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(render, "DOTS_PER_INCH", plots_drawn_here_and_coarsely)
        yield


@pytest.fixture(scope="module")
def no_pictures():
    """Reports of this module have neither plots nor pages for print, of which it asks nothing: they take most time."""
    from lensbench.report.draw import Drawing, beside  # noqa: PLC0415
    from lensbench.report.out import write  # noqa: PLC0415

    blank = Drawing(svg="", png=b"\x89PNG\r\n\x1a\n").packed()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(beside, "drawn", lambda _plot: blank)
        patch.setattr(write, "_printed", lambda _report, _paper: b"%PDF-1.4\n%%EOF\n")
        yield
