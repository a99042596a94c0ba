"""Places shared out by address: nobody takes them all, this computer has some of its own, and operators some more."""

from __future__ import annotations

from server.http.doorman import Doorman, ViewerPlaces

OWN, STRANGER = "127.0.0.1", "192.0.2.7"  # RFC 5737: nobody's address


def test_one_address_gets_so_many_and_this_computer_always_some() -> None:
    doorman = Doorman(at_most=8, from_one=3)
    assert [doorman.enter("192.0.2.1") for _ in range(4)] == [True, True, True, False]
    assert [doorman.enter("192.0.2.2") for _ in range(4)] == [True, True, True, False]
    assert not doorman.enter("192.0.2.3") and not doorman.enter("2001:db8::1")  # three quarters are taken
    assert [doorman.enter(own) for own in ("127.0.0.1", "::1", "127.0.0.1")] == [True, True, False]
    doorman.leave("192.0.2.1")
    doorman.leave("192.0.2.1")
    assert doorman.enter("127.0.0.1") and doorman.enter("192.0.2.3") is False
    for source in ["192.0.2.1", *["192.0.2.2"] * 3, *["127.0.0.1"] * 2, "::1"]:
        doorman.leave(source)
    assert len(doorman) == 0 and not doorman._from, "nothing is remembered of who has gone"


def test_one_address_cannot_take_all_viewers_places() -> None:
    places = ViewerPlaces()
    theirs = [places.enter(STRANGER, False) for _ in range(400)]
    assert sum(place is not None for place in theirs) == 64
    assert places.enter("192.0.2.8", False) is not None


def test_many_addresses_leave_this_computer_a_quarter_of_the_viewers_places() -> None:
    places = ViewerPlaces(at_most=8, from_one=3)
    assert sum(places.enter(f"192.0.2.{n}", False) is not None for n in range(20)) == 6
    assert [places.enter(OWN, False) is not None for _ in range(3)] == [True, True, False]


def test_an_operators_page_has_a_place_when_all_are_taken_and_another_when_its_own_are() -> None:
    places = ViewerPlaces(at_most=4, from_one=3, kept=2)
    others = [places.enter(OWN, False) for _ in range(4)]
    assert None not in others and places.enter(OWN, False) is None
    kept = [places.enter(STRANGER, True) for _ in range(3)]
    assert [place is not None and place.is_operators for place in kept] == [True, True, False] and kept[2] is None
    for place in (others[0], kept[0]):
        assert place is not None
        places.leave(place)
    like_anybody = [places.enter(OWN, True), places.enter(OWN, True), places.enter(OWN, True)]
    assert [place and place.is_operators for place in like_anybody] == [True, False, None]
