"""Who holds command authority: taken, handed back, lost; never shared."""

from __future__ import annotations

from server.uplink.authority import SILENT_AT_MOST_S, Authority


def test_first_to_sign_in_holds_and_the_second_does_not() -> None:
    authority = Authority()
    assert authority.holder is None
    assert authority.sign_in("a", 0.0) is True
    assert authority.sign_in("b", 0.0) is False
    assert authority.holder == "a"


def test_taking_is_an_act_and_changes_the_holder_once() -> None:
    """I14."""
    authority = Authority()
    authority.sign_in("a", 0.0)
    authority.sign_in("b", 0.0)
    assert authority.take("b", 1.0) is True
    assert authority.take("b", 1.0) is False
    assert authority.holder == "b"


def test_somebody_not_signed_in_takes_nothing_and_revives_nothing() -> None:
    authority = Authority()
    authority.sign_in("a", 0.0)
    assert authority.take("stranger", 1.0) is False
    authority.alive("stranger", 1.0)
    assert authority.take("stranger", 1.0) is False
    assert authority.holder == "a"


def test_only_the_holder_releases() -> None:
    authority = Authority()
    authority.sign_in("a", 0.0)
    authority.sign_in("b", 0.0)
    assert authority.release("b") is False
    assert authority.release("a") is True
    assert authority.holder is None
    assert authority.tick(100.0) is False


def test_closed_page_loses_authority_and_must_take_it_again() -> None:
    authority = Authority()
    authority.sign_in("a", 0.0)
    authority.sign_in("b", 0.0)
    assert authority.leave("b") is False
    assert authority.leave("a") is True
    assert authority.take("a", 1.0) is False, "gone is gone until the page signs in again"
    assert authority.sign_in("a", 1.0) is True


def test_silent_page_loses_authority_after_five_seconds() -> None:
    authority = Authority()
    authority.sign_in("a", 0.0)
    assert SILENT_AT_MOST_S == 5.0
    assert authority.tick(5.0) is False
    authority.alive("a", 5.0)
    assert authority.tick(10.0) is False
    assert authority.tick(10.01) is True
    assert authority.holder is None


def test_word_after_too_long_a_silence_does_not_save_authority() -> None:
    """The loop stood still: the page's word is taken before the tick, and must not hide that it was silent."""
    authority = Authority()
    authority.sign_in("a", 0.0)
    authority.alive("a", 6.0)
    assert authority.tick(6.0) is True
    authority.alive("a", 6.1)
    assert authority.holder is None
    assert authority.take("a", 6.2) is True
    assert authority.tick(11.0) is False


def test_others_may_be_silent() -> None:
    authority = Authority()
    authority.sign_in("a", 0.0)
    authority.sign_in("b", 0.0)
    authority.alive("a", 4.5)
    assert authority.tick(9.0) is False
    authority.alive("b", 9.0)
    assert authority.take("b", 9.0) is True
