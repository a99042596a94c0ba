"""The sentences of the error tree, and who may be caught as what."""

from __future__ import annotations

import pytest

from protocol.errors import DictionaryError, OurMistake, Problem, ShortBuffer, ValueRefused

SENTENCES = [
    (
        DictionaryError("packet.imu.apid", "must be 0..2046, got 9999", "mine.toml"),
        "mine.toml: [packet.imu.apid] must be 0..2046, got 9999",
    ),
    (DictionaryError("uplink", "must be a table"), "dictionary: [uplink] must be a table"),
    (ValueRefused("angle", 0.3, "must be -0.2..0.2 rad"), "angle = 0.3: must be -0.2..0.2 rad"),
    (ValueRefused("mode", "fast", "must be one of off, on"), "mode = 'fast': must be one of off, on"),
    (ShortBuffer("space packet primary header", 6, 3), "space packet primary header needs 6 bytes, got 3"),
]


@pytest.mark.parametrize(("error", "sentence"), SENTENCES)
def test_sentences(error: Exception, sentence: str) -> None:
    assert str(error) == sentence


def test_a_person_is_told_of_problems_and_faults_of_the_program_are_none() -> None:
    """Whoever asked for too much catches `OurMistake`, whoever shows sentences `Problem`; a short buffer passes both."""
    assert issubclass(OurMistake, Problem)
    assert issubclass(DictionaryError, OurMistake) and issubclass(ValueRefused, OurMistake)
    assert not issubclass(ShortBuffer, Problem)
