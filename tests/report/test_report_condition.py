"""The state of a lens in sentences: verdicts with their limits, and the ten-minute test's advice."""

import re
from dataclasses import replace

import pytest
from invented_shoot import asymmetry, decentring, invented_lens

from lensbench.model.condition import (
    CameraTilt,
    Colour,
    ColourShift,
    ConditionFinding,
    Distortion,
    FieldCurvature,
    InnerSharpness,
    LateralColour,
    QuickFindings,
    Subject,
    TurnedOutcome,
    TurnedTest,
    Verdict,
)
from lensbench.report.page.sound import copy_headline, sound_blocks
from lensbench.report.text.answer import quick_sentences
from lensbench.report.text.condition import condition_text, state_sentences

INNER = InnerSharpness(
    focal_length_mm=35.0,
    f_number=8.0,
    share_percent=90.0,
    wide_f_number=2.8,
    wide_inner_percent=-8.0,
    wide_outer_percent=-12.0,
)
ASKEW = ConditionFinding(
    subject=Subject.TILT,
    verdict=Verdict.MATTERS,
    limit=3.0,
    value=9.0,
    ci95=(8.0, 10.0),
    details=CameraTilt(yaw_deg=-4.0, yaw_sd_deg=0.1, pitch_deg=0.3, pitch_sd_deg=0.1, f_number=2.8),
)


@pytest.mark.parametrize("verdict", list(Verdict))
def test_a_line_says_word_figure_and_limit_and_never_that_nothing_was_seen(verdict):
    shift = ColourShift(
        verdict=verdict, colour=Colour.BLUE, focal_length_mm=70.0, px=0.416, reach_px=0.008, um=1.7, shots=12
    )
    finding = ConditionFinding(
        subject=Subject.LATERAL_COLOUR,
        verdict=verdict,
        limit=0.5,
        unit="px",
        value=0.416,
        ci95=(0.408, 0.424),
        details=LateralColour(shifts=(shift,), main=shift),
    )
    (table,) = [
        block for block in sound_blocks(invented_lens(condition=(finding,))) if block.form == "table"
    ][:1]
    # The three words are the owner's.
    words = {"matters": "matters", "within_limits": "within limits", "cannot_tell": "can't tell"}
    assert table.grid.rows == (
        ("lateral colour", words[verdict], "0.42 px\nblue, 70 mm, in the corner", "0.5 px"),
    )


def test_five_lines_and_the_bracket_is_asked_for_once():
    curved = FieldCurvature(distance=None, falloff=None)
    silent = [Subject.TILT, Subject.FOCUS_SHIFT, Subject.ASTIGMATISM, Subject.LATERAL_COLOUR]
    condition = (
        decentring(),
        ConditionFinding(subject=Subject.FIELD_CURVATURE, limit=5.0, details=curved),
        *(ConditionFinding(subject=subject, limit=5.0) for subject in silent),
    )
    blocks = sound_blocks(invented_lens(condition=condition))
    (lines,) = (block.grid for block in blocks if block.form == "table")
    (measured,) = (inner.grid for block in blocks if block.form == "fold" for inner in block.blocks)
    assert [row[0] for row in lines.rows] == [
        "decentring",
        "field curvature",
        "astigmatism",
        "focus shift",
        "lateral colour",
    ]
    assert {row[0] for row in measured.rows} == {str(finding.subject) for finding in condition}
    said = [line for block in blocks if block.form == "lines" for line in block.sentences]
    cells = [cell for grid in (lines, measured) for row in grid.rows for cell in row]
    assert sum("seven shots" in text for text in (*said, *cells)) == 1


@pytest.mark.parametrize(
    ("outcome", "chart_only", "verdict", "percent", "words"),
    [
        (
            TurnedOutcome.NOT_DONE,
            False,
            Verdict.WITHIN_LIMITS,
            0.4,
            "Even on all sides: none is more than 3 % softer.",
        ),
        (
            TurnedOutcome.OPEN,
            False,
            Verdict.WITHIN_LIMITS,
            2.4,
            (
                "Even enough: the right side is 2 % softer at 35 mm, f/2.8 (0 to 3 %). "
                "With the camera turned it was the same."
            ),
        ),
        (
            TurnedOutcome.STAYED,
            True,
            Verdict.MATTERS,
            11.4,
            (
                "Uneven: the right side is 11 % softer at 35 mm, f/2.8 (0 to 3 %); turning the chart did not move it. "
                "Repeat once with the camera turned; if it stays, return it."
            ),
        ),
        (
            TurnedOutcome.MOVED,
            False,
            Verdict.CANNOT_TELL,
            4.0,
            (
                "Can't tell whether the sides are alike: the right side is 4 % softer at 35 mm, f/2.8 (0 to 3 %). "
                "What differs changed sides with the chart: it is not of the lens."
            ),
        ),
    ],
)
def test_the_headline_names_the_side_and_what_the_turned_test_says(
    outcome, chart_only, verdict, percent, words
):
    off = asymmetry(2.8, matters=verdict is Verdict.MATTERS, percent=percent)
    finding = decentring(off, verdict=verdict, turned=TurnedTest(outcome=outcome, chart_only=chart_only))
    assert copy_headline((finding,)) == words


@pytest.mark.parametrize("subject", sorted(set(Subject) - {Subject.FIELD_CURVATURE, Subject.DISTORTION}))
def test_what_was_not_measured_says_what_to_shoot(subject):
    text = condition_text(ConditionFinding(subject=subject, limit=5.0))
    assert text.evidence
    assert bool(text.advice) != text.bracket


@pytest.mark.parametrize(("reach", "size"), [(0.04, "2.2 % barrel"), (0.3, "2.2 ± 0.3 % barrel")])
def test_no_reach_of_nought_is_printed(reach, size):
    details = Distortion(
        verdict=Verdict.MATTERS,
        focal_length_mm=24.0,
        percent=-2.2,
        reach_percent=reach,
        shots=12,
        focal_lengths=1,
    )
    finding = ConditionFinding(
        subject=Subject.DISTORTION, verdict=Verdict.MATTERS, limit=1.0, details=details
    )
    assert condition_text(finding).evidence.startswith(f"{size} in the corner")


def test_nothing_is_told_below_its_last_digit():
    """No «± 0.00», no «0 to 0», no size of nought with a side."""
    still = replace(ASKEW.details, yaw_deg=0.001, yaw_sd_deg=0.001, pitch_deg=-0.2, pitch_sd_deg=0.004)
    text = condition_text(replace(ASKEW, details=still)).evidence
    assert "Yaw 0°, pitch -0.20°" in text
    shift = ColourShift(
        verdict=Verdict.WITHIN_LIMITS,
        colour=Colour.RED,
        focal_length_mm=35.0,
        px=0.001,
        reach_px=0.001,
        um=0.004,
        shots=3,
    )
    colour = ConditionFinding(
        subject=Subject.LATERAL_COLOUR,
        verdict=Verdict.WITHIN_LIMITS,
        limit=0.5,
        unit="px",
        value=0.001,
        ci95=(0.0, 0.002),
        details=LateralColour(shifts=(shift,), main=shift),
    )
    level = decentring(
        asymmetry(2.8, percent=0.0, ci95_percent=(0.0, 0.3)),
        turned=TurnedTest(
            outcome=TurnedOutcome.OPEN, stayed_percent=0.1, moved_percent=0.2, reach_percent=0.3
        ),
    )
    said = [str(condition_text(colour)), str(condition_text(level)), copy_headline((level,))]
    said += [
        cell for row in sound_blocks(invented_lens(condition=(colour, level)))[1].grid.rows for cell in row
    ]
    for words in said:
        assert not re.search(r"± 0(\.0+)?(?![.\d])|\b0(\.0)? to 0\b|\b0\.0+ (px|um)|\b0 %,", words), words
    assert "red lies less than 0.005 px from green" in said[0]
    assert "below 0.005 px\nred, 35 mm, in the corner" in said


@pytest.mark.parametrize(
    ("quick", "inner", "condition", "words"),
    [
        (
            {"grossly_uneven": Verdict.CANNOT_TELL},
            (INNER,),
            (ASKEW, decentring()),
            "stood 4.0° askew. Straighten",
        ),
        ({"grossly_soft": Verdict.CANNOT_TELL}, (INNER,), (ASKEW, decentring()), "another print"),
        ({"grossly_soft": Verdict.CANNOT_TELL}, (), (decentring(),), "--pitch-um"),
        ({"slightly_uneven": True}, (INNER,), (decentring(),), "no reason to return this copy"),
    ],
)
def test_a_ten_minute_test_says_what_to_do_next(quick, inner, condition, words):
    findings = {
        "grossly_uneven": Verdict.WITHIN_LIMITS,
        "slightly_uneven": False,
        "grossly_soft": Verdict.WITHIN_LIMITS,
        "inner": inner,
        "turned_shots": 6,
    }
    lens = invented_lens(condition=condition, quick=QuickFindings(**(findings | quick)))
    assert words in quick_sentences(lens)[0]


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (TurnedOutcome.NOT_DONE, "turn the camera before you blame the lens"),
        (TurnedOutcome.STAYED, "turning the camera did not move it"),
        (TurnedOutcome.BOTH, "part of it moved with the chart"),
    ],
)
def test_the_answer_names_side_size_and_what_the_turned_test_says(outcome, words):
    off = asymmetry(2.8, matters=True, percent=11.4, ci95_percent=(8.1, 14.6))
    finding = decentring(off, verdict=Verdict.MATTERS, turned=TurnedTest(outcome=outcome))
    assert state_sentences([finding]) == [
        f"The right side is 11 % softer at 35 mm, f/2.8 (8 to 15 %); {words}.",
        "More under «Is the copy sound?».",
    ]


def test_the_answer_names_a_tilt_that_costs_sharpness():
    (headline, _) = state_sentences([ASKEW, decentring()])
    # 4.01 degrees: the hypotenuse of yaw and pitch.
    assert headline == (
        "The camera stood 4.0° askew, which costs the sides 9 % (8 to 10 %) at f/2.8: straighten it and repeat."
    )
    assert state_sentences([decentring()]) == []
