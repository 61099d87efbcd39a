"""The registry of quality flags speaks plainly and completely."""

import pytest

from lensbench.model.errors import FLAGS, Severity, remark, worst


@pytest.mark.parametrize("name", FLAGS)
def test_every_flag_says_what_it_means_and_what_to_do(name):
    flag = FLAGS[name]
    assert flag.name == name
    assert name.replace("_", "").isalpha()
    assert name.islower()
    for text in (flag.meaning, flag.advice):
        assert len(text) > 15
        assert not text.endswith(".")


def test_a_remark_takes_its_words_from_the_registry():
    raised = remark("low_snr", "SNR 12, limit 20")
    assert raised.severity is Severity.WARNING
    assert raised.message == f"{FLAGS['low_snr'].meaning} (SNR 12, limit 20)"
    assert raised.advice == FLAGS["low_snr"].advice
    assert str(raised) == "low_snr: SNR 12, limit 20"


def test_a_remark_without_a_figure():
    raised = remark("no_edge")
    assert raised.message == FLAGS["no_edge"].meaning
    assert str(raised) == "no_edge"


def test_an_unknown_flag_is_a_mistake():
    with pytest.raises(KeyError, match="nonsense"):
        remark("nonsense")


def test_the_gravest_counts():
    info, warning, reject = remark("tone_unknown"), remark("low_snr"), remark("clipped")
    assert worst(()) is None
    assert worst((info,)) is Severity.INFO
    assert worst((info, warning)) is Severity.WARNING
    assert worst((warning, reject, info)) is Severity.REJECT
