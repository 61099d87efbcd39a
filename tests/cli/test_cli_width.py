"""What a terminal gets fits its width, and what a pipe gets is never broken; tables have at most 80 columns."""

import fcntl
import os
import pty
import struct
import termios

import pytest
from many_shots import many_shots

from lensbench.cli import output
from lensbench.report.text.answer import percent_table, short_answer
from lensbench.sweep.decide import find


@pytest.fixture(scope="module")
def findings():
    return find(many_shots(36))


def test_a_sweep_says_three_sentences_and_its_percent_by_stop_and_focal_length(findings):
    lines = short_answer(findings)
    assert len(lines[:3]) == sum(line.endswith(".") for line in lines)
    table = lines[lines.index("") + 1 : -1]
    assert table == percent_table(findings.lenses[0])
    assert table[1].split() == ["f/2.8", "f/4", "f/5.6", "f/8", "f/11", "f/16"]
    rows = [line.split() for line in table[2:]]
    assert [row[:2] for row in rows] == [["24", "mm"], ["35", "mm"], ["70", "mm"]]
    figures = [int(cell) for row in rows for cell in row[2:]]
    assert len(figures) == 18
    assert max(figures) == 100
    # The means of the shots, by hand: in percent of the largest of them, within what the fitted curve moves them by.
    means = {
        (focal.focal_length_mm, point.f_number): point.measured_cypx
        for focal in findings.lenses[0].by_focal_length
        for point in focal.curve
        if point.zone == "frame"
    }
    shares = [100.0 * value / max(means.values()) for value in means.values()]
    assert figures == pytest.approx(shares, abs=2.0)


def test_a_terminal_gets_lines_of_its_width_and_a_pipe_whole_ones(monkeypatch, tmp_path):
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 20, 0, 0))
    words = "one two three four five six seven"
    with os.fdopen(theirs, "w") as terminal, (tmp_path / "file").open("w") as file:
        for stream in (terminal, file):
            monkeypatch.setattr("sys.stdout", stream)
            output.say(words)
            stream.flush()
        assert os.read(ours, 1000).decode().splitlines() == ["one two three four", "five six seven"]
    os.close(ours)
    assert (tmp_path / "file").read_text() == f"{words}\n"


@pytest.mark.parametrize(
    ("line", "parts"),
    [
        ("  one two three", ["  one two", "  three"]),
        ("two-part-word and", ["two-part-word", "and"]),
        ("short", ["short"]),
        ("", [""]),
    ],
)
def test_a_line_is_broken_at_spaces_and_goes_on_under_its_first_word(monkeypatch, capsys, line, parts):
    monkeypatch.setattr(output, "_width", lambda _: 11)
    output.say(line)
    assert capsys.readouterr().out.splitlines() == parts
