"""Quality codes mean what the standards say."""

import pyarrow as pa
import pytest

from steadyhead.config import Quality
from steadyhead.feeds.quality_codes import BAD, EMPTY, GOOD, UNCERTAIN, UNKNOWN, level_of, quality_levels

# Published: OPC DA quality QQSSSSLL (also OPC 10000-8, Annex A): 192 good, 216 good local override,
# 64 uncertain, 68 last usable, 80 sensor not accurate, 84 units exceeded, 88 sub-normal, 0 bad,
# 4 config, 8 not connected, 12 device, 16 sensor, 20 last known, 24 comm failure,
# 28 out of service, 32 waiting.
OPC_DA = {
    **dict.fromkeys((192, 216, 193, 195, 219), GOOD),
    **dict.fromkeys((64, 68, 80, 84, 88, 86), UNCERTAIN),
    **dict.fromkeys((0, 4, 8, 12, 16, 20, 24, 28, 32, 1, 3), BAD),
    128: UNKNOWN,  # 0x80 is not used by the standard
    0x01C0: GOOD,  # the high byte is the vendor's
    70_000: UNKNOWN,
    -1: UNKNOWN,
}

# Published: OPC 10000-4, StatusCode, and the nodeset's StatusCode.csv.
OPC_UA = {
    0x00000000: GOOD,
    0x00300000: GOOD,  # GoodClamped
    0x00000400: GOOD,  # information bits are set
    0x40F20000: UNCERTAIN,  # UncertainOverRange
    0x80310000: BAD,  # BadNoCommunication
    0x80320000: BAD,  # BadWaitingForInitialData
    0x803C0000: BAD,  # BadOutOfRange
    0x803C0000 - 2**32: BAD,  # the same, exported as a signed number
    "0x80310000": BAD,
    "2150694912": BAD,  # 0x80310000 in decimal, by hand
}


@pytest.mark.parametrize(("code", "level"), OPC_DA.items())
def test_da_codes_are_judged_by_their_top_two_bits(code, level):
    assert level_of(code, Quality()) == level
    assert level_of(str(code), Quality()) == level
    assert level_of(float(code), Quality()) == level


@pytest.mark.parametrize(("code", "level"), OPC_UA.items())
def test_ua_status_codes_are_judged_by_their_severity(code, level):
    assert level_of(code, Quality(style="opc_ua")) == level


def test_words_are_known_whatever_their_case():
    for style in ("opc_da", "opc_ua"):
        levels = [level_of(word, Quality(style=style)) for word in ("Good", "BAD", " uncertain ", "hm", "")]
        assert levels == [GOOD, BAD, UNCERTAIN, UNKNOWN, EMPTY]


def test_the_sources_own_map_goes_first():
    quality = Quality(map={"0": "good", "OK?": "uncertain", "good": "bad", "": "good"})
    assert [level_of(c, quality) for c in (0, "ok?", "Good", "", None)] == [GOOD, UNCERTAIN, BAD, GOOD, GOOD]


def test_a_column_is_judged_code_by_code():
    codes = pa.array([192, None, 0, 64, 128])
    assert quality_levels(codes, Quality()).tolist() == [GOOD, EMPTY, BAD, UNCERTAIN, UNKNOWN]
    words = pa.array(["Good", "Bad"]).dictionary_encode()
    assert quality_levels(words, Quality()).tolist() == [GOOD, BAD]
