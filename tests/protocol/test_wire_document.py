"""WIRE.md holds: its worked examples byte for byte, its list of dictionary keys in both directions, its hash rule."""

from __future__ import annotations

import ast
import hashlib
import hmac
import re
import struct
import tomllib
from pathlib import Path

import pytest

import protocol.dictionary
from protocol import bound, commands, framing, link, sequence, vehicle
from protocol.bound import BoundFrame, SafeAllFrame, make_boot_id, open_bound_frame
from protocol.dictionary_file import load_dictionary, parse_dictionary
from protocol.events import BootIdLearned, PacketReceived
from protocol.link import Link
from protocol.stimulus import Stimulus, StimulusEncoder, open_stimulus
from protocol.toml_table import TomlTable
from protocol.vehicle import Order, VehicleLink
from protocol.wire_types import BITS_TYPES, BOOL, NUMBER_TYPES, plain_type
from tests.protocol.all_types import TYPES_TEXT
from tests.protocol.helpers import SANDPIPER, SMALL_TEXT, events_of, heard

FOLDER = Path(protocol.dictionary.__file__).parent
DOCUMENT = (FOLDER / "WIRE.md").read_text("utf-8")
KEY = bytes.fromhex(re.search(r"Key `([0-9A-F]{64})`", DOCUMENT)[1])
EXAMPLE = re.compile(r"^```example-(down|up|stimulus) (\w+)\n(.*?)^```", re.M | re.S)
EXAMPLES = {name: (direction, body) for direction, name, body in EXAMPLE.findall(DOCUMENT)}
DOWN = [name for name, (direction, _) in EXAMPLES.items() if direction == "down"]
UP = [name for name, (direction, _) in EXAMPLES.items() if direction == "up"]


def lines_of(name: str) -> dict[str, tuple[bytes, str]]:
    """Return each line of an example: label -> (bytes, what is said about them)."""
    out = {}
    for line in EXAMPLES[name][1].splitlines():
        label, octets, said = re.fullmatch(r"(\w+) +((?:[0-9A-F]{2} ?)+)(?: +(.*))?", line).groups()
        out[label] = (bytes.fromhex(octets), said or "")
    return out


def crc_by_the_page(data: bytes) -> bytes:
    """Compute section 2 bit by bit."""
    crc = 0xFFFF
    for octet in data:
        crc ^= octet << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc.to_bytes(2, "big")


def stuff_by_the_page(content: bytes) -> bytes:
    """Follow section 1's "Stuffing", then put the frame between its zeros."""
    return b"\0" + b"".join(bytes([len(piece) + 1]) + piece for piece in content.split(b"\0")) + b"\0"


def said_numbers(parts: dict[str, tuple[bytes, str]]) -> dict[str, float]:
    """Return the values an example claims: "= 1.5" for a field, "bits: a 1, b 0" for groups."""
    out = {}
    for label, (_, said) in parts.items():
        if found := re.match(r"= (-?[0-9.]+)", said):
            out[label] = float(found[1])
        if said.startswith("bits: "):
            out |= {group.split()[0]: float(group.split()[1]) for group in said[6:].split(", ")}
    return out


def test_there_are_examples_of_both_directions() -> None:
    assert DOWN == ["barometer", "control", "identity", "rehearsal"] and UP == ["camera_power", "fin_move", "safe_all"]


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_example_is_its_parts_checked_and_stuffed(name: str) -> None:
    parts = lines_of(name)
    assert list(parts)[-2:] == ["crc", "frame"]
    packet = b"".join(octets for label, (octets, _) in parts.items() if label not in ("crc", "frame"))
    assert int.from_bytes(parts["length"][0], "big") == len(packet) - 6 - 1
    assert parts["crc"][0] == crc_by_the_page(packet)
    assert parts["frame"][0] == stuff_by_the_page(packet + parts["crc"][0])


@pytest.mark.parametrize("name", DOWN)
def test_a_downlink_example_is_what_the_ground_reads(name: str) -> None:
    parts = lines_of(name)
    event = heard(SANDPIPER, parts["frame"][0])[-1]
    assert isinstance(event, PacketReceived) and event.packet.name == name
    assert list(parts)[4:-2] == [field.name for field in event.packet.fields]
    assert event.count == int(re.search(r"count ([0-9]+)", parts["sequence"][1])[1])
    assert event.time_ms == int(parts["time"][1].removesuffix(" ms").replace(" ", ""))
    values = dict(zip([channel.name for channel in event.packet.channels], event.values, strict=True))
    plain = {n: int.from_bytes(parts[n][0], "big") for n in list(parts)[4:-2] if not parts[n][1]}  # nothing is said of them
    assert values == pytest.approx(said_numbers(parts) | plain, abs=1e-9)
    for label, (_, said) in parts.items():
        if text := re.search(r"\((.*)\)", said):
            assert event.packet.channel(label).text_of(values[label]) == text[1]


LABELS = {"safe_all": b"BH2 safe all", "camera_power": b"BH2 command", "fin_move": b"BH2 command"}
VEHICLE_ID = 1001


@pytest.mark.parametrize("name", UP)
def test_an_uplink_example_is_what_the_vehicle_takes_and_the_ground_sends(name: str) -> None:
    parts = lines_of(name)
    signed = b"".join(octets for label, (octets, _) in parts.items() if label not in ("tag", "crc", "frame"))
    under_the_tag = LABELS[name] + struct.pack(">I", VEHICLE_ID) + signed
    assert hmac.new(KEY, under_the_tag, hashlib.sha256).digest()[:16] == parts["tag"][0]
    frame, counter = parts["frame"][0], int.from_bytes(parts["counter"][0], "big")
    opened, ground = open_bound_frame(KEY, VEHICLE_ID, frame[1:-1]), Link(SANDPIPER, KEY)
    if name == "safe_all":
        assert opened == SafeAllFrame(counter) and ground.send(name, {}, counter) == frame
        return
    boot_id, told, until_ms, code = (int.from_bytes(parts[n][0], "big") for n in ("boot_id", "dictionary", "valid", "code"))
    assert opened == BoundFrame(boot_id, told, counter, until_ms, code, signed[27:])
    assert told == SANDPIPER.hash32 and boot_id == make_boot_id(KEY, 5, b"")
    started = VehicleLink(SANDPIPER, KEY, boot_id)
    (order,) = started.receive(frame, until_ms - 5000)
    assert isinstance(order, Order) and order.command == name and order.counter == counter
    assert order.args == pytest.approx(said_numbers(parts))
    assert events_of(ground, [started.identity_frame(0)])[0] == BootIdLearned(boot_id)
    assert ground.send(name, said_numbers(parts), counter, until_ms) == frame


def test_the_identity_example_is_signed_as_the_page_says() -> None:
    parts = lines_of("identity")
    signed = b"".join(octets for label, (octets, _) in list(parts.items())[3:-4])
    tag = hmac.new(KEY, b"BH2 identity" + signed, hashlib.sha256).digest()[:8]
    assert tag == parts["tag_high"][0] + parts["tag_low"][0]


def test_the_stimulus_example_is_what_is_played_and_what_comes_out() -> None:
    parts = lines_of("fix")
    numbers = {name: int.from_bytes(parts[name][0], "big") for name in ("vehicle", "session", "number", "time")}
    assert numbers == {"vehicle": VEHICLE_ID, "session": 17187, "number": 2, "time": 10_000}
    said = said_numbers(parts)
    encoder = StimulusEncoder(SANDPIPER, VEHICLE_ID, numbers["session"])
    encoder.frame("sensors", 0, [0.0] * 13)
    frame = encoder.frame("fix", numbers["time"], (said["east"], said["north"]))
    assert frame == parts["frame"][0]
    opened = open_stimulus(SANDPIPER, frame[1:-1])
    assert opened == Stimulus("fix", VEHICLE_ID, numbers["session"], 2, 10_000, (said["east"], said["north"]))


def test_small_examples_in_the_text() -> None:
    assert stuff_by_the_page(bytes.fromhex("11 22 00 33"))[1:-1].hex(" ") == "03 11 22 02 33"
    assert "`11 22 00 33` becomes `03 11 22 02 33`" in DOCUMENT
    assert crc_by_the_page(b"123456789") == b"\x29\xb1"


# ---------------------------------------------------------------- keys

# A place in a file -> the heading under which WIRE.md lists its keys.
HEADINGS = [
    (r"", "File"),
    (r"dictionary", "`[dictionary]`"),
    (r"packet\.\w+", "`[packet.NAME]`"),
    (r"rehearsal", "`[rehearsal]`"),
    (r"stimulus\.\w+", "`[stimulus.NAME]`"),
    (r"(packet|stimulus)\.\w+\.fields\[\d+\]", "Field"),
    (r"packet\.\w+\.fields\[\d+\]\.bits\[\d+\]", "Bit group"),
    (r"packet.*\.limits", "Limits"),
    (r"uplink", "`[uplink]`"),
    (r"framing", "`[framing]`"),
    (r"framing\.checksum", "Checksum"),
    (r"frames", "`[frames]`"),
    (r"radio", "`[radio]`"),
    (r"flight_rules", "`[flight_rules]`"),
    (r"command\.\w+", "`[command.NAME]`"),
    (r"command\.\w+\.args\[\d+\]", "Argument"),
    (r"interlock\.\w+|command\.\w+\.effects\[\d+\]", "Condition"),
]


def documented() -> dict[str, list[str]]:
    """Return the keys WIRE.md lists under each heading of section 9."""
    section = DOCUMENT.split("\n## 9. ")[1].split("\n## 10. ")[0]
    out = {}
    for part in section.split("\n### ")[1:]:
        heading, _, body = part.partition("\n")
        out[heading] = re.findall(r"^\| `(\w+)` \|", body, re.M)
    return out


class Asked(set[tuple[str, str]]):
    """The (heading, key) pairs a load asked for. Every way to read a TomlTable ends in get, raw or has."""

    def note(self, table: TomlTable, key: str) -> None:
        (heading,) = [heading for pattern, heading in HEADINGS if re.fullmatch(pattern, table.where)]
        self.add((heading, key))


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    """Load dictionaries that hold a table of every kind while writing down every key asked for."""
    out = Asked()
    for method in ("get", "raw", "has"):
        original = getattr(TomlTable, method)

        def noted(self: TomlTable, key: str, *rest: object, _original: object = original, **more: object) -> object:
            out.note(self, key)
            return _original(self, key, *rest, **more)

        monkeypatch.setattr(TomlTable, method, noted)
    for name in (None, FOLDER / "wren.toml", FOLDER / "plover.toml", *(FOLDER / "foreign" / "samples").glob("*.toml")):
        load_dictionary(name)
    parse_dictionary(SMALL_TEXT)
    parse_dictionary(TYPES_TEXT)
    return out


def test_every_key_the_loader_accepts_is_in_the_document(asked: Asked) -> None:
    missing = sorted(pair for pair in asked if pair[1] not in documented()[pair[0]])
    assert not missing, f"accepted by the loader, not in WIRE.md: {missing}"


def test_every_key_in_the_document_is_accepted_by_the_loader(asked: Asked) -> None:
    extra = sorted((heading, key) for heading, keys in documented().items() for key in keys if (heading, key) not in asked)
    assert not extra, f"in WIRE.md, not known to the loader: {extra}"


def test_no_key_hides_in_a_branch_the_loads_above_do_not_take(asked: Asked) -> None:
    """Every text given to a method of a table in the loader's source was asked for when loading."""
    readers = {"get", "raw", "has", "choice", "table", "tables", "named_tables", "texts", "numbers"}
    readers_of_tables = (
        "dictionary_file",
        "tables/packet_tables",
        "tables/command_tables",
        "tables/rehearsal_tables",
        "frames",
        "foreign/framing_tables",
    )
    trees = [ast.parse((FOLDER / f"{name}.py").read_text("utf-8")) for name in readers_of_tables]
    written = {
        node.args[0].value
        for tree in trees
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr in readers
        and node.args
        and isinstance(node.args[0], ast.Constant)
    }
    assert len(written) > 30
    assert written <= {key for _, key in asked}


def test_every_wire_type_is_in_the_document() -> None:
    section = DOCUMENT.split("## 4. ")[1].split("## 5. ")[0]
    plain = {plain_type(type_) for type_ in (*NUMBER_TYPES, *BITS_TYPES)}
    for type_ in (*plain, BOOL, "textN", "bytesN"):
        assert f"`{type_}`" in section, type_


def test_every_number_the_document_repeats_is_the_codes() -> None:
    assert f"at most {framing.CONTENT_MAX} bytes. It is stuffed" in DOCUMENT
    assert f"longer than {framing.ENCODED_MAX}\nbytes cannot be a frame" in DOCUMENT
    assert f"falls back by more than {link.CLOCK_FALL_MS} ms" in DOCUMENT
    assert f"| {16384 - sequence.LATE_WINDOW + 1}..16383 (1..{sequence.LATE_WINDOW - 1} behind)" in DOCUMENT
    assert f"(at least the last {vehicle.ANSWERS_KEPT})" in DOCUMENT
    assert f"leftmost {commands.TAG_SIZE} bytes of HMAC-SHA-256" in DOCUMENT
    assert f"fewer than {6 + bound.COUNTER.size + commands.TAG_SIZE} bytes without the CRC" in DOCUMENT
    assert bound.VALID_AT_MOST_MS == 10_000 and "more than ten seconds ahead" in DOCUMENT
    assert (bound.COMMAND_APID, bound.SAFE_ALL_APID) == (2045, 2046) and "APIDs 2045 and 2046 belong" in DOCUMENT


# ---------------------------------------------------------------- the hash


def packet_lines(word: str, packets: dict) -> list[str]:
    """Return the lines of packets or stimuli."""
    lines = []
    for name, packet in sorted(packets.items(), key=lambda item: item[1]["apid"]):
        lines.append(f"{word} {packet['apid']} {name}")
        for field in packet["fields"]:
            for entry in field.get("bits", [field]):
                shift, width = (entry["bit"], entry.get("width", 1)) if "bits" in field else (0, 0)
                scale, offset = float(entry.get("scale", 1)), float(entry.get("offset", 0))
                values_text = repr(tuple(entry.get("values", ())))
                parts = (entry["name"], field["type"], shift, 2**width - 1, repr(scale), repr(offset), values_text)
                lines.append(" ".join(str(part) for part in parts))
    return lines


def hash_by_the_page(text: str) -> int:
    """Follow the page's rule from the raw TOML, without the loader."""
    values = tomllib.loads(text)
    is_bound = values["dictionary"].get("wire") == 2
    lines = ["wire 2"] if is_bound else []
    lines += packet_lines("packet", values["packet"])
    coded = {name: command for name, command in values.get("command", {}).items() if "code" in command}
    for name, command in sorted(coded.items(), key=lambda item: item[1]["code"]):
        args = [f"{a['name']}:{a['type']}:{float(a.get('scale', 1))!r}" for a in command.get("args", [])]
        if is_bound:
            limits = [(float(a["min"]), float(a["max"]), tuple(a.get("values", ()))) for a in command.get("args", [])]
            args = [f"{word}:{low!r}:{high!r}:{texts}" for word, (low, high, texts) in zip(args, limits, strict=True)]
        lines.append(f"command {command['code']} {name} {' '.join(args)}")
    if not is_bound:
        lines.append(f"uplink {values['uplink']['apid']}")
    if "stimulus" in values:
        kinds = {command["rehearsal"]: command["code"] for command in coded.values() if "rehearsal" in command}
        lines += [*packet_lines("stimulus", values["stimulus"]), f"step {values['rehearsal']['step']}"]
        lines += [f"rehearsal {kind} {kinds[kind]}" for kind in ("enter", "leave", "simulator") if kind in kinds]
    return struct.unpack(">I", hashlib.sha256("\n".join(lines).encode()).digest()[:4])[0]


@pytest.mark.parametrize("text", [SANDPIPER.text, SMALL_TEXT], ids=["sandpiper", "small"])
def test_the_hash_follows_the_page(text: str) -> None:
    assert parse_dictionary(text).hash32 == hash_by_the_page(text)
