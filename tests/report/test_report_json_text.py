"""JSON on a terminal: nothing in it that the terminal obeys, and nothing lost."""

import json
import unicodedata

from lensbench.report.out.json_form import json_text


def test_no_sign_of_a_name_reaches_the_terminal_raw_and_none_is_lost():
    every = "".join(
        map(chr, [*range(0x250), *range(0x600, 0x620), *range(0x2000, 0x2070), 0xFEFF, 0xDC80, 0x5199])
    )
    text = json_text({"photo": every}).decode()
    assert json.loads(text)["photo"] == every
    hidden = {sign for sign in text if unicodedata.category(sign) in {"Cc", "Cf", "Cs", "Zl", "Zp"}}
    assert hidden <= {
        "\n",
        "\xad",
        *map(chr, range(0x600, 0x606)),
    }  # soft hyphen, Arabic number signs: harmless
    assert "写" in text
