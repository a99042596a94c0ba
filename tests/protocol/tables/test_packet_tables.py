"""The packet tables' own rules of naming (the rest: test_dictionary)."""

from __future__ import annotations

import pytest

from protocol.errors import DictionaryError
from protocol.packets import APID_MAX
from protocol.tables.packet_tables import read_apid, read_name
from protocol.toml_table import TomlTable


def table(**values: object) -> TomlTable:
    return TomlTable(values, "packet.x", "file.toml")


@pytest.mark.parametrize("apid", [0, 5, APID_MAX])
def test_an_apid_of_the_standard_is_taken(apid: int) -> None:
    assert read_apid(table(apid=apid)) == apid


@pytest.mark.parametrize("apid", [-1, APID_MAX + 1, 4096])
def test_the_idle_apid_and_beyond_are_refused(apid: int) -> None:
    with pytest.raises(DictionaryError, match=f"must be 0..{APID_MAX}, got {apid}"):
        read_apid(table(apid=apid))


@pytest.mark.parametrize("name", ["a", "fin_1", "x" * 40])
def test_a_name_is_lower_case(name: str) -> None:
    assert read_name(name, table()) == name


@pytest.mark.parametrize("name", ["", "1fin", "Fin", "fin-1", "x" * 41, "fin\n", "<b>"])
def test_anything_else_is_no_name(name: str) -> None:
    with pytest.raises(DictionaryError, match="must be lower-case letters, digits and _"):
        read_name(name, table())
