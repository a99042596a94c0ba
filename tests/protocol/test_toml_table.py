"""Reading tables: each kind of mistake names its file, table and key."""

from __future__ import annotations

import tomllib
from importlib import resources

import pytest

from protocol.errors import DictionaryError
from protocol.toml_table import TomlTable, line_of, lines_of


def table(**values: object) -> TomlTable:
    return TomlTable(values, "packet.nav", "mine.toml")


def test_values_of_every_kind() -> None:
    one = table(a="x", b=3, c=2.5, d=True, e=[1], f={"g": 1}, whole=4)
    assert one.get("a", str) == "x" and one.get("b", int) == 3 and one.get("c", float) == 2.5
    assert one.get("d", bool) is True and one.get("e", list) == [1] and one.get("f", dict) == {"g": 1}
    assert one.get("whole", float) == 4.0 and isinstance(one.get("whole", float), float)
    assert one.get("absent", str, "default") == "default" and one.has("a") and not one.has("absent")
    assert one.raw("b") == 3 and one.raw("absent") is None


WRONG = [
    (lambda t: t.get("absent", str), "[packet.nav] key 'absent' is missing"),
    (lambda t: t.get("number", str), "[packet.nav.number] must be text, got 3"),
    (lambda t: t.get("text", int), "[packet.nav.text] must be a whole number, got 'x'"),
    (lambda t: t.get("half", int), "[packet.nav.half] must be a whole number, got 0.5"),
    (lambda t: t.get("flag", int), "[packet.nav.flag] must be a whole number, got True"),
    (lambda t: t.get("flag", float), "[packet.nav.flag] must be a number, got True"),
    (lambda t: t.get("text", float), "[packet.nav.text] must be a number, got 'x'"),
    (lambda t: t.get("number", bool), "[packet.nav.number] must be true or false, got 3"),
    (lambda t: t.get("text", list), "[packet.nav.text] must be a list, got 'x'"),
    (lambda t: t.get("text", dict), "[packet.nav.text] must be a table, got 'x'"),
    (lambda t: t.get("nan", float), "[packet.nav.nan] must be a finite number that fits 64-bit floating point"),
    (lambda t: t.get("inf", float), "[packet.nav.inf] must be a finite number that fits 64-bit floating point"),
    (lambda t: t.get("huge", float), "[packet.nav.huge] must be a finite number that fits 64-bit floating point"),
    (lambda t: t.choice("text", ("a", "b")), "[packet.nav.text] must be one of a, b, got 'x'"),
    (lambda t: t.texts("mixed"), "[packet.nav.mixed] must be a list of texts"),
    (lambda t: t.texts("text"), "[packet.nav.text] must be a list, got 'x'"),
    (lambda t: t.numbers("mixed"), "[packet.nav.mixed] must be a list of numbers"),
    (lambda t: t.numbers("flags"), "[packet.nav.flags] must be a list of numbers"),
    (lambda t: t.numbers("nans"), "[packet.nav.nans] must be a finite number that fits 64-bit floating point"),
    (lambda t: t.table("text"), "[packet.nav.text] must be a table, got 'x'"),
    (lambda t: t.tables("mixed"), "[packet.nav.mixed[0]] must be a table"),
    (lambda t: t.named_tables("inner"), "[packet.nav.inner.y] must be a table"),
    (lambda t: t.done(), "[packet.nav.flag] unknown key 'flag'"),
]


@pytest.mark.parametrize(("act", "sentence"), WRONG, ids=[sentence for _, sentence in WRONG])
def test_each_mistake_is_named(act: object, sentence: str) -> None:
    one = table(
        number=3,
        text="x",
        half=0.5,
        flag=True,
        nan=float("nan"),
        inf=float("inf"),
        huge=10**400,
        mixed=["a", 1],
        flags=[True],
        nans=[1, float("nan")],
        inner={"x": {}, "y": 3},
    )
    with pytest.raises(DictionaryError) as caught:
        act(one)
    assert str(caught.value) == f"mine.toml: {sentence}"


def test_inner_tables_know_their_place() -> None:
    one = table(limits={"low": 1}, fields=[{"name": "a"}, {"name": "b"}], group={"x": {}, "y": {}})
    assert one.table("limits").where == "packet.nav.limits"
    assert [t.where for t in one.tables("fields")] == ["packet.nav.fields[0]", "packet.nav.fields[1]"]
    assert [(n, t.where) for n, t in one.named_tables("group")] == [(n, f"packet.nav.group.{n}") for n in "xy"]
    assert one.table("absent", {}).where == "packet.nav.absent"
    assert one.tables("absent") == [] and one.named_tables("absent") == [] and one.texts("absent") == ()


def test_the_root_has_no_name_in_front() -> None:
    root = TomlTable({"uplink": {}, "packet": {"a": {}}}, "", "mine.toml")
    assert root.table("uplink").where == "uplink"
    assert root.named_tables("packet")[0][1].where == "packet.a"
    assert str(root.problem("is wrong", "uplink")) == "mine.toml: [uplink] is wrong"


def test_done_is_silent_when_every_key_was_asked_for() -> None:
    one = table(a=1, b="x")
    one.get("a", int)
    one.raw("b")
    one.done()


def test_a_table_that_is_none() -> None:
    with pytest.raises(DictionaryError) as caught:
        TomlTable([1], "uplink", "mine.toml")
    assert str(caught.value) == "mine.toml: [uplink] must be a table"


# ---------------------------------------------------------------- lines


TEXT = '''# [packet.imu] in a comment
title = "a [packet.imu] # in a text"
[dictionary]
about = """
[packet.imu]
apid = 3 \\""" still
"""
raw = \'\'\'
[packet.imu]\'\'\'
"odd key" = 1

[ packet . imu ]
apid = 7 # fields = [
fields = [
  { name = "x", type = "u8" }, { name = "y", type = "bits8", bits = [ # }
      { name = "low", bit = 0 }, # ]

      { bit = 1, name = 'high', limits = { warning_low = 1 } } ] },

]
[[packet.imu.extra]]
a = 1
[[packet.imu.extra]]
a = [[1, 2], [3,
  4]]
[flight_rules]
a.b = 1
'''


@pytest.mark.parametrize(
    ("where", "line"),
    [
        ("title", 2),
        ("dictionary.about", 4),
        ("dictionary.raw", 8),
        ("dictionary.odd key", 10),
        ("packet.imu", 12),
        ("packet.imu.apid", 13),
        ("packet.imu.fields", 14),
        ("packet.imu.fields[0].type", 15),
        ("packet.imu.fields[1].type", 15),
        ("packet.imu.fields[1].bits[0].bit", 16),
        ("packet.imu.fields[1].bits[1].name", 18),
        ("packet.imu.fields[1].bits[1].limits.warning_low", 18),
        ("packet.imu.x", 15),
        ("packet.imu.high", 18),
        ("packet.imu.extra[1].a", 24),
        ("packet.imu.extra[1].a[1][1]", 25),
        ("flight_rules.a.b", 27),
        # what is missing is looked for in its table
        ("packet.imu.rate_hz", 12),
        ("packet.imu.fields[0].unit", 15),
        ("packet.imu.fields[1].bits[1].limits.caution_low", 18),
        # what is nowhere
        ("packet.gps.apid", None),
        ("file", None),
        ("", None),
    ],
)
def test_the_line_of_a_place(where: str, line: int | None) -> None:
    tomllib.loads(TEXT)
    assert line_of(TEXT, where) == line


def test_a_text_that_cannot_be_followed_has_no_lines() -> None:
    assert line_of("a = ", "a") is None
    assert line_of("[" * 5000, "a") is None


@pytest.mark.parametrize("name", ["sandpiper.toml", "wren.toml", "plover.toml"])
def test_every_key_of_a_sample_is_found_on_a_line_that_holds_it(name: str) -> None:
    """Every place that `tomllib` reads is found, and its line holds the key's word."""
    text = resources.files("protocol").joinpath(name).read_text("utf-8")
    lines = text.splitlines()
    places, found = lines_of(text), 0

    def walk(value: object, where: str) -> None:
        nonlocal found
        if isinstance(value, dict):
            for key, inner in value.items():
                place = f"{where}.{key}" if where else key
                line = places.get(place)
                if place not in ("packet", "command", "interlock", "stimulus"):  # only their sub-tables are written
                    assert line is not None and key in lines[line - 1], place
                    found += 1
                walk(inner, place)
        elif isinstance(value, list):
            for number, inner in enumerate(value):
                if isinstance(inner, dict):
                    walk(inner, f"{where}[{number}]")

    walk(tomllib.loads(text), "")
    assert found > 100
