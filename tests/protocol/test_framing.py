"""Stuffing against published rows and the paper's rule; splitting whatever the chunks; garbage survived."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.framing import CONTENT_MAX, ENCODED_MAX, FrameSplitter, decode_frame, encode_frame
from tests.protocol.helpers import random_chunks

UP = bytes(range(1, 255))  # 01 02 .. FE

# tests/SOURCES.md, cobs (computed with the library): every row, without the delimiter.
ROWS = [
    (b"", b"\x01"),
    (b"\x00", b"\x01\x01"),
    (b"\x00\x00", b"\x01\x01\x01"),
    (b"\x00\x11\x00", b"\x01\x02\x11\x01"),
    (b"\x11\x22\x00\x33", b"\x03\x11\x22\x02\x33"),
    (b"\x11\x22\x33\x44", b"\x05\x11\x22\x33\x44"),
    (b"\x11\x00\x00\x00", b"\x02\x11\x01\x01\x01"),
    (UP, b"\xff" + UP),
    (b"\x00" + UP, b"\x01\xff" + UP),
    (UP + b"\xff", b"\xff" + UP + b"\x02\xff"),
    (UP[1:] + b"\xff\x00", b"\xff" + UP[1:] + b"\xff\x01\x01"),
    (UP[2:] + b"\xff\x00\x01", b"\xfe" + UP[2:] + b"\xff\x02\x01"),
    (b"\x01" * 253, b"\xfe" + b"\x01" * 253),
    (b"\x01" * 254, b"\xff" + b"\x01" * 254),
    (b"\x01" * 255, b"\xff" + b"\x01" * 254 + b"\x02\x01"),
    (b"\x01" * 508, b"\xff" + b"\x01" * 254 + b"\xff" + b"\x01" * 254),
    (b"\x01" * 509, b"\xff" + b"\x01" * 254 + b"\xff" + b"\x01" * 254 + b"\x02\x01"),
    (bytes(254), b"\x01" * 255),
    (bytes(255), b"\x01" * 256),
    (b"\x01" * 254 + b"\x00", b"\xff" + b"\x01" * 254 + b"\x01\x01"),
    (
        bytes.fromhex("4500002C4C79000040064F37"),
        bytes.fromhex("02450104 2C4C79 01 05 40064F37"),
    ),
]


def plain_cobs(content: bytes) -> bytes:
    """Stuff by the paper's rule, written for clearness: an oracle that shares nothing with the library (n <= 254)."""
    return b"".join(bytes([len(run) + 1]) + run for run in content.split(b"\0"))


@pytest.mark.parametrize(("content", "encoded"), ROWS)
def test_published_rows(content: bytes, encoded: bytes) -> None:
    assert decode_frame(encoded) == content
    if 1 <= len(content) <= CONTENT_MAX:
        assert encode_frame(content) == encoded + b"\0"


@pytest.mark.parametrize("content", [b"", bytes(255), b"\x01" * 300])
def test_content_that_is_no_frame_is_refused(content: bytes) -> None:
    with pytest.raises(ValueError, match=f"must be 1..254 bytes, got {len(content)}"):
        encode_frame(content)


@given(st.binary(min_size=1, max_size=CONTENT_MAX))
def test_stuffing_costs_one_byte_and_comes_back(content: bytes) -> None:
    frame = encode_frame(content)
    assert len(frame) == len(content) + 2
    assert frame.count(0) == 1 and frame[-1] == 0
    assert frame[:-1] == plain_cobs(content)
    assert decode_frame(frame[:-1]) == content


# tests/SOURCES.md, cobs, "must be refused by a decoder".
@pytest.mark.parametrize("broken", ["0511220033", "03", "0311", "FF01"])
def test_broken_stuffing_is_none(broken: str) -> None:
    assert decode_frame(bytes.fromhex(broken)) is None


@given(st.binary(min_size=1, max_size=ENCODED_MAX) | st.lists(st.integers(1, 3), min_size=1, max_size=30).map(bytes))
def test_any_bytes_are_the_stuffing_of_what_they_decode_to_or_broken(data: bytes) -> None:
    content = decode_frame(data)
    assert content is None or plain_cobs(content) == data


# ---------------------------------------------------------------- the splitter


def split_whole(data: bytes) -> list[tuple[bytes, int]]:
    return FrameSplitter().feed(data)


def split_plain(data: bytes) -> list[tuple[bytes, int]]:
    """Say what the splitter promises in one line per rule."""
    runs = data.split(b"\0")[:-1]
    return [(run, 0) if len(run) <= ENCODED_MAX else (b"", len(run)) for run in runs if run]


runs = st.one_of(
    st.binary(max_size=12),
    st.sampled_from([ENCODED_MAX - 1, ENCODED_MAX, ENCODED_MAX + 1, 2 * ENCODED_MAX + 2, 700]).map(lambda n: b"x" * n),
    st.integers(1, 5).map(bytes),
)


@given(st.lists(runs, max_size=12).map(b"\0".join), st.randoms(use_true_random=False), st.sampled_from([1, 3, 40, 600]))
def test_every_chunking_gives_the_same_frames(data: bytes, rng: random.Random, longest: int) -> None:
    whole = FrameSplitter()
    expected = whole.feed(data)
    assert expected == split_plain(data)
    for chunks in (random_chunks(data, rng, longest), [data[i : i + 1] for i in range(len(data))]):
        splitter = FrameSplitter()
        assert [item for chunk in chunks for item in splitter.feed(chunk)] == expected
        assert splitter.pending_bytes == whole.pending_bytes <= ENCODED_MAX


def test_longest_frame_is_kept_and_one_more_byte_is_not() -> None:
    assert split_whole(b"x" * ENCODED_MAX + b"\0") == [(b"x" * ENCODED_MAX, 0)]
    assert split_whole(b"x" * (ENCODED_MAX + 1) + b"\0") == [(b"", ENCODED_MAX + 1)]


def test_a_long_run_is_reported_once_and_holds_no_memory() -> None:
    splitter = FrameSplitter()
    for _ in range(1000):
        assert splitter.feed(b"x" * 1000) == []
        assert splitter.pending_bytes <= ENCODED_MAX
    assert splitter.feed(b"\0" + b"ab\0") == [(b"", 1_000_000), (b"ab", 0)]


def test_zeros_alone_are_silence() -> None:
    splitter = FrameSplitter()
    assert splitter.feed(bytes(100_000)) == []
    assert splitter.pending_bytes == 0


def test_a_frame_after_garbage_costs_only_the_run_it_is_glued_to() -> None:
    frame = encode_frame(b"good")
    assert split_whole(b"noise" + frame + frame) == [(b"noise" + frame[:-1], 0), (frame[:-1], 0)]
    assert split_whole(b"noise\0" + frame) == [(b"noise", 0), (frame[:-1], 0)]
