"""Rehearsal in the compiled library: a flight build has none of it, nothing fires in it, and it ends by itself.

LONG_FORM=1 plays 10^5 stimuli of every form to a flight build, and orders 10^5 firings on every channel.
"""

from __future__ import annotations

import os
import random
import struct
import subprocess
from binascii import crc_hqx
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.bound import build_bound_frame, make_boot_id
from protocol.framing import decode_frame, encode_frame
from protocol.rehearsal import firing_channels
from protocol.stimulus import StimulusEncoder
from server.firmware.generator import write_firmware
from server.firmware.process_link import Program
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.build import C99, CXX, LIBRARY, REHEARSAL, TARGETS, compiled, generated, program
from tests.server.firmware.rehearsal_agreement import built, compare, random_stimuli
from tests.server.firmware.rehearsal_bench import BOOT, KEY, RADIO, Bench, Played

LONG = bool(os.environ.get("LONG_FORM"))
MANY = 100_000 if LONG else 300
KEEP_ALIVE_MS, SIMULATORS_MS = 1000, 600_000
LATERAL, RECOVERY = firing_channels(SANDPIPER.roles)
CHANNELS = range(len(LATERAL) + len(RECOVERY))


@pytest.fixture(params=["host-rehearsal", "host-rehearsal-sanitized"])
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """A Sandpiper built for rehearsal, in ground test and with no igniter anywhere."""
    with Program(program("sandpiper", request.param)) as machine:
        yield Bench(machine, SANDPIPER)


@pytest.fixture
def flight() -> Iterator[Bench]:
    """A Sandpiper built for flight."""
    with Program(program("sandpiper", "host-sanitized")) as machine:
        yield Bench(machine, SANDPIPER, rehearses=False)


# ---------------------------------------------------------------- built for flight


def damaged(frame: bytes, rng: random.Random) -> bytes:
    """Return a frame of which some bit or length is wrong, its checksum most often right again."""
    content = bytearray(decode_frame(frame[1:-1]) or b"")
    if rng.random() < 0.3:
        content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
        return b"\0" + encode_frame(bytes(content))
    body = bytearray(content[:-2])
    if rng.random() < 0.5:
        body[rng.randrange(len(body))] ^= 1 << rng.randrange(8)
    else:
        body = body[: rng.randrange(7, len(body))] if rng.random() < 0.5 else body + rng.randbytes(rng.randrange(1, 40))
        body[4:6] = (len(body) - 7).to_bytes(2, "big")
    return b"\0" + encode_frame(bytes(body) + _crc(body))


def _crc(body: bytes) -> bytes:
    return crc_hqx(bytes(body), 0xFFFF).to_bytes(2, "big")


@pytest.mark.parametrize("form", [*SANDPIPER.stimuli, "damaged"])
def test_a_flight_build_drops_every_stimulus(form: str, flight: Bench) -> None:
    rng, encoder = random.Random(3), StimulusEncoder(SANDPIPER, 1001, 1)
    for start in range(0, MANY, 100):
        frames = []
        for number in range(start, start + 100):
            name = form if form in SANDPIPER.stimuli else rng.choice(list(SANDPIPER.stimuli))
            values = [rng.uniform(-100.0, 1e5) for _ in SANDPIPER.stimuli[name].channels]
            frame = encoder.frame(name, number * 10_000, values)
            frames.append(frame if form != "damaged" else damaged(frame, rng))
        assert flight.hear(b"".join(frames)) == ["dropped"] * 100
    assert flight.bad_frames() == MANY


def test_a_flight_build_refuses_the_commands_and_fires_what_there_is(flight: Bench) -> None:
    for kind, args in (("enter", {}), ("leave", {}), ("simulator", {"channel": 1.0})):
        assert flight.order(kind, **args) == "not in this build"
    assert [flight.may_fire(channel) for channel in range(8)] == [True] * 6 + [False] * 2


@pytest.mark.parametrize("name", ["sandpiper", "small", "types"])
@pytest.mark.parametrize("compiler", ["gcc", "g++", "arm-linux-gnueabi-gcc"])
def test_the_objects_of_a_flight_build_hold_no_symbol_of_it(name: str, compiler: str, tmp_path: Path) -> None:
    command = CXX if compiler == "g++" else [compiler, *C99[1:]]
    objects = []
    for source in LIBRARY:
        objects.append(compiled([*command, "-Os", "-c"], generated(name), [source], str(tmp_path / f"{source}.o")))
    told = subprocess.run(["nm", "-A", *objects], capture_output=True, text=True, check=True).stdout
    said = " ".join(line.split()[-1].lower() for line in told.splitlines())
    assert "bh_receive" in said
    for word in ("rehears", "stimul", "played", "bench", "wired", "may_fire", "bh_read"):
        assert word not in said, said
    compiled([*command, "-Os", REHEARSAL, "-c"], generated("sandpiper"), ["bh_rehearsal.c"], str(tmp_path / "with.o"))
    told = subprocess.run(["nm", str(tmp_path / "with.o")], capture_output=True, text=True, check=True).stdout
    assert "bh_bench" in told  # so that the words above are the right ones


def test_half_a_build_does_not_link(tmp_path: Path) -> None:
    """Structs differ: the library built for rehearsal and the sketch not, or the other way round, must not go together."""
    (tmp_path / "main.c").write_text(
        '#include "blockhouse.h"\nstatic bh_vehicle v;\nint main(void) '
        "{ static const uint8_t key[32] = {0}; bh_begin(&v, key, 1, 1, 0, NULL, NULL); return 0; }\n"
    )
    folder = generated("sandpiper")
    for one, other in (([], [REHEARSAL]), ([REHEARSAL], [])):
        sources = [str(folder / source) for source in LIBRARY]
        objects = [compiled([*C99, *one, "-c", f"-I{folder}"], tmp_path, [s], f"{Path(s).name}.o") for s in sources]
        whole = [*C99, *other, f"-I{folder}", "main.c", *objects, "-o", "half"]
        done = subprocess.run(whole, cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode != 0 and "undefined reference to `bh_begin" in done.stderr


def test_a_dictionary_without_stimuli_cannot_be_built_for_rehearsal() -> None:
    done = subprocess.run([*C99, REHEARSAL, "-c", "bh_link.c"], cwd=generated("small"), capture_output=True, text=True)
    assert done.returncode != 0 and "BH_REHEARSAL needs a dictionary with [rehearsal]" in done.stderr


@pytest.mark.parametrize(
    "command",
    [C99, [*C99, "-O3"], CXX, ["clang", *C99[1:]], ["clang++", *CXX[1:]]],
    ids=["c99", "o3", "c++", "clang", "clang++"],
)
def test_a_rehearsal_build_compiles_without_a_warning(command: list[str]) -> None:
    for source in (*LIBRARY, *(["host/bh_host.c"] if "c++" not in command else [])):
        compiled([*command, REHEARSAL, "-c"], generated("sandpiper"), [source], "rehearsal.o")


def test_the_build_says_itself_what_it_is(bench: Bench, flight: Bench) -> None:
    for one, build in ((bench, "rehearsal"), (flight, "flight")):
        assert one.said(one.machine.ask("I", struct.pack(">BI", 0, 5)))["build"] == build


# ---------------------------------------------------------------- nothing fires


def test_nothing_fires_in_a_rehearsal(bench: Bench) -> None:
    assert all(bench.may_fire(channel) for channel in CHANNELS)
    bench.enter()
    for channel in CHANNELS:
        for _ in range(MANY):
            assert not bench.may_fire(channel)
        state = bench.state()
        assert state["ordered"] == 2 ** (channel + 1) - 1 and state["orders"] == MANY * (channel + 1)
    assert not bench.may_fire(200) and bench.state()["ordered"] == 2 ** len(CHANNELS) - 1
    assert bench.order("leave") == "none"
    assert not any(bench.may_fire(channel) for channel in CHANNELS), "the flight software believed in a flight until now"


def test_who_connects_a_charge_in_a_rehearsal_is_not_fired_at(bench: Bench) -> None:
    """Continuity ends it in the very loop in which the flight software still orders what its apogee asks for."""
    bench.enter()
    bench.continuity = 1 << CHANNELS[-1]
    assert bench.bench() == (True, False)
    assert not any(bench.may_fire(channel) for channel in CHANNELS)
    bench.continuity = 0
    bench.bench()
    assert not bench.may_fire(0), "only a power cycle opens the gate again"
    bench.start()
    assert bench.may_fire(0)


# ---------------------------------------------------------------- it ends


@pytest.mark.parametrize("channel", CHANNELS)
def test_continuity_ends_it(channel: int, bench: Bench) -> None:
    bench.enter()
    bench.continuity = 1 << channel
    assert bench.bench() == (True, False) and bench.state()["ended"] == "continuity"
    assert bench.bench() == (False, False)
    assert bench.play() == ["dropped"]


def test_continuity_on_a_channel_nobody_knows_ends_it(bench: Bench) -> None:
    bench.enter()
    bench.continuity = 1 << 31
    assert bench.bench() == (True, False)


@pytest.mark.parametrize("radio", [0, 1])
def test_safe_all_ends_it(radio: int, bench: Bench) -> None:
    bench.enter()
    bench.safe_all(radio)
    assert bench.bench() == (True, False) and bench.state()["ended"] == "safe all"


def test_silence_ends_it(bench: Bench) -> None:
    bench.now_ms = 2**32 - 1500  # its clock wraps meanwhile
    bench.enter()
    for _ in range(5):
        assert bench.bench(KEEP_ALIVE_MS - 1) == (False, True)
        assert isinstance(bench.play()[0], Played)
    assert bench.bench(KEEP_ALIVE_MS - 1) == (False, True)
    assert bench.bench(1) == (True, False) and bench.state()["ended"] == "stimuli stopped"


def test_silence_from_the_beginning_ends_it(bench: Bench) -> None:
    bench.enter()
    assert bench.bench(KEEP_ALIVE_MS) == (True, False)


def test_refused_stimuli_keep_nothing_alive(bench: Bench) -> None:
    bench.enter()
    assert bench.bench(KEEP_ALIVE_MS - 1) == (False, True)
    assert bench.play(radio=RADIO) == ["dropped"]
    assert bench.bench(1) == (True, False)


@pytest.mark.parametrize("radio", [0, 1])
def test_leave_ends_it(radio: int, bench: Bench) -> None:
    bench.enter()
    assert bench.order("leave", radio) == "none"
    assert bench.bench() == (True, False) and bench.state()["ended"] == "left"
    assert bench.order("leave") == "none" and bench.bench() == (False, False)


def test_a_restart_ends_it(bench: Bench) -> None:
    bench.enter()
    bench.play()
    bench.start()
    assert bench.state() == dict.fromkeys(bench.state(), 0.0) | {"state": "off", "ended": "none"}
    assert bench.play() == ["dropped"] and bench.may_fire(0)


def test_it_begins_anew_with_another_session(bench: Bench) -> None:
    bench.enter()
    old = bench.stimulus()
    bench.may_fire(1)
    bench.machine.ask("Q", (700).to_bytes(4, "big"))
    bench.machine.ask("Q", (400).to_bytes(4, "big"))
    assert bench.state()["cycle_us"] == 700
    bench.order("leave")
    bench.enter()
    state = bench.state()
    assert (state["session"], state["orders"], state["ordered"], state["cycle_us"]) == (bench.counter, 0, 0, 0)
    assert bench.hear(old) == ["dropped"]


# ---------------------------------------------------------------- it cannot be entered


def test_it_cannot_be_entered_before_anything_was_measured(bench: Bench) -> None:
    assert bench.order("enter") == "not in ground test"
    assert bench.order("simulator", channel=1) == "not in ground test"


def test_it_cannot_be_entered_over_a_radio(bench: Bench) -> None:
    bench.bench()
    assert bench.order("enter", RADIO) == "not wired"
    assert bench.order("simulator", RADIO, channel=1) == "not wired"
    assert bench.bench() == (False, False)


def test_it_cannot_be_entered_outside_ground_test(bench: Bench) -> None:
    bench.bench()
    bench.ground_test = False
    bench.bench()
    assert bench.order("enter") == "not in ground test" and bench.bench() == (False, False)


@pytest.mark.parametrize("channel", CHANNELS)
def test_it_cannot_be_entered_with_continuity(channel: int, bench: Bench) -> None:
    bench.continuity = 1 << channel
    bench.bench()
    assert bench.order("enter") == "continuity" and bench.bench() == (False, False)


def test_a_repeat_of_its_command_enters_nothing(bench: Bench) -> None:
    bench.bench()
    (command,) = [c for c in SANDPIPER.commands.values() if c.rehearsal == "enter"]
    frame = build_bound_frame(KEY, 1001, BOOT, SANDPIPER.hash32, 1, 5000, command.code, b"")
    assert bench.hear(frame)[0] == "order"
    bench.counter = 1
    bench.order("leave")
    assert bench.hear(frame) == ["none", "none"] and bench.bench() == (True, False)


# ---------------------------------------------------------------- simulators


def test_a_simulator_counts_for_its_channel_and_no_other(bench: Bench) -> None:
    bench.bench()
    for number in range(1, 5):
        assert bench.order("simulator", channel=number) == "none"
        assert bench.state()["simulators"] == 2**number - 1
    bench.continuity = 0b1111
    bench.enter()
    bench.continuity |= 0b10000
    assert bench.bench() == (True, False) and bench.state()["ended"] == "continuity"
    assert bench.order("enter") == "continuity"


def test_a_simulator_never_counts_for_recovery(bench: Bench) -> None:
    """No argument names one, and no bit of it would."""
    bench.bench()
    (command,) = [c for c in SANDPIPER.commands.values() if c.rehearsal == "simulator"]
    for number in (0, 5, 6, 255):
        bench.counter += 1
        head = (1001, BOOT, SANDPIPER.hash32, bench.counter, 5000, command.code, bytes([number]))
        assert bench.hear(build_bound_frame(KEY, *head)) == ["out of range"]
    assert bench.state()["simulators"] == 0


def test_a_simulator_runs_out(bench: Bench) -> None:
    bench.now_ms = 2**32 - 1000
    bench.bench()
    bench.order("simulator", channel=2)
    bench.continuity = 0b10
    bench.bench(SIMULATORS_MS - 500)
    bench.enter()
    bench.play()
    assert bench.bench(499) == (False, True)
    assert bench.bench(1) == (True, False) and bench.state()["ended"] == "continuity"
    assert bench.state()["simulators"] == 0 and bench.order("enter") == "continuity"
    assert bench.order("simulator", channel=2) == "none" and bench.order("enter") == "none"


# ---------------------------------------------------------------- stimuli


def test_what_is_played_comes_out(bench: Bench) -> None:
    bench.enter()
    assert bench.play("sensors", 10_000, 2.5) == [Played(0, True, 10_000, (2.5,) * 13)]
    assert bench.play("fix", 4_294_967_295, -1.5) == [Played(1, False, 4_294_967_295, (-1.5, -1.5))]
    (supply,) = bench.play("supply", 0, 1.25)
    assert isinstance(supply, Played) and supply.values == pytest.approx((1.25,) * 8)
    state = bench.state()
    assert (state["number"], state["missed"], state["refused"], state["time_us"]) == (3, 0, 0, 0)


def test_skipped_numbers_are_counted(bench: Bench) -> None:
    bench.enter()
    bench.play()
    for _ in range(4):
        bench.stimulus()
    bench.play()
    assert (bench.state()["number"], bench.state()["missed"], bench.state()["refused"]) == (6, 4, 0)


def test_what_is_not_for_it_is_dropped_and_counted(bench: Bench) -> None:
    bench.enter()
    bench.play()
    session, first = bench.counter, bench.stimulus()
    values = [1.0] * 13
    others = {
        "vehicle": StimulusEncoder(SANDPIPER, 1002, session),
        "session": StimulusEncoder(SANDPIPER, 1001, session + 1),
        "older session": StimulusEncoder(SANDPIPER, 1001, session - 1 or 99),
        "old number": StimulusEncoder(SANDPIPER, 1001, session),
    }
    refused = 0
    for what, encoder in others.items():
        encoder.number = 0 if what == "old number" else 5
        assert bench.hear(encoder.frame("sensors", 0, values)) == ["dropped"], what
        refused += 1
        assert bench.state()["refused"] == refused, what
    rng = random.Random(5)
    body = (decode_frame(first[1:-1]) or b"")[:-2]
    wrong = [
        body[:-1],
        body + b"\0",
        body[:6],
        body[:22],
        body[:2] + b"\x40\x02" + body[4:],
        body[:2] + b"\xc0\x09" + body[4:],
    ]
    wrong += [b"\x10\x04" + body[2:], body[:4] + b"\0\0" + body[6:]]  # an unknown APID, a length that is not
    for place, one in enumerate(wrong):
        told = one[:4] + (len(one) - 7).to_bytes(2, "big") + one[6:] if place < 4 and len(one) > 6 else one
        assert bench.hear(b"\0" + encode_frame(told + _crc(told))) == ["dropped"], place
    refused += len(wrong)
    for _ in range(200):  # any bit of a good one
        flipped = bytearray(first[1:-1])
        flipped[rng.randrange(len(flipped))] ^= 1 << rng.randrange(8)
        got = bench.hear(b"\0" + bytes(flipped) + b"\0")
        assert got and set(got) == {"dropped"}
        refused += len(got)
    assert bench.state()["refused"] == refused == bench.bad_frames()
    assert bench.play(radio=RADIO) == ["dropped"]
    assert isinstance(bench.hear(first)[0], Played)  # which was good all the while
    assert bench.state()["refused"] == refused + 1


def test_nothing_is_played_before_it_begins(bench: Bench) -> None:
    bench.bench()
    bench.encoder = StimulusEncoder(SANDPIPER, 1001, 1)
    assert bench.play() == ["dropped"] and bench.bench() == (False, False)
    assert bench.state()["refused"] == 1


@pytest.mark.parametrize("target", TARGETS)
@pytest.mark.parametrize("seed", range(3))
def test_every_type_is_read_as_the_ground_wrote_it(target: str, seed: int, tmp_path: Path) -> None:
    """The long form: `python -m tests.server.firmware.rehearsal_agreement`."""
    dictionary = random_stimuli(seed * 11)
    path = built(dictionary, tmp_path / "firmware", target, seed == 1, sanitized=target == "here" and seed == 2)
    with Program(path, TARGETS[target].runner) as machine:
        assert compare(dictionary, machine, 150, seed, seed == 1) > 100


PLAYER = """
#include "blockhouse.h"
static int seen;
static void sensors(void *user, uint32_t time_us, const bh_sensors_stimulus *values)
{
    *(double *)user = values->pressure;
    seen += time_us == 20000u && values->accel_a_z > 9.75f && values->accel_a_z < 9.76f;
}
int main(int count, char **given)
{
    static const uint8_t key[BH_KEY_SIZE] = {KEY};
    static const uint8_t enter[] = {ENTER}, sensors_frame[] = {SENSORS}, fix[] = {FIX};
    static bh_vehicle vehicle;
    static bh_link cable;
    bh_command command;
    bh_stimulus_calls calls = {NULL, NULL, NULL};
    double pressure = 0.0;
    size_t i;
    enum bh_heard heard = BH_NOTHING;
    (void)count;
    (void)given;
    calls.sensors = sensors;
    bh_begin(&vehicle, key, BH_VEHICLE_ID, BOOT_ID, 0, NULL, NULL);
    bh_begin_link(&cable, &vehicle);
    bh_wired(&cable);
    (void)bh_bench(&vehicle, 5, true, 0);
    for (i = 0; i < sizeof enter; i++) { heard = bh_receive(&cable, enter[i], 123, &command); }
    if (heard != BH_ORDER || command.code != BH_COMMAND_REHEARSAL_ENTER || !bh_rehearsing(&vehicle)) { return 1; }
    for (i = 0; i < sizeof sensors_frame; i++) { heard = bh_receive(&cable, sensors_frame[i], 123, &command); }
    if (heard != BH_STIMULUS) { return 2; }
    bh_play(&cable, &calls, &pressure);
    if (!bh_is_step(&cable) || seen != 1 || pressure < 94123.44 || pressure > 94123.46) { return 3; }
    for (i = 0; i < sizeof fix; i++) { heard = bh_receive(&cable, fix[i], 143, &command); }
    bh_play(&cable, &calls, &pressure); /* nobody wants it */
    if (heard != BH_STIMULUS || bh_is_step(&cable) || seen != 1 || bh_rehearsal_ms(&vehicle) != 123u + 21u) { return 4; }
    return bh_may_fire(&vehicle, BH_CHANNEL_1) || bh_may_fire(&vehicle, BH_RECOVERY_2) ? 5 : 0;
}
"""


@pytest.mark.parametrize("command", [C99, CXX], ids=["c99", "c++"])
def test_a_program_plays_what_it_hears(command: list[str], tmp_path: Path) -> None:
    boot_id = make_boot_id(KEY, 1, b"")
    code = SANDPIPER.commands["rehearsal_enter"].code
    encoder = StimulusEncoder(SANDPIPER, 1001, 1)
    frames = {
        "ENTER": build_bound_frame(KEY, 1001, boot_id, SANDPIPER.hash32, 1, 1000, code, b""),
        "SENSORS": encoder.frame("sensors", 20_000, [0.0, 0.0, 9.755, *[0.0] * 9, 94123.45]),
        "FIX": encoder.frame("fix", 21_999, [1.0, 2.0]),
        "KEY": KEY,
    }
    text = PLAYER.replace("BOOT_ID", f"0x{boot_id:016X}u")
    for word, data in frames.items():
        text = text.replace(f"{{{word}}}", "{" + ", ".join(map(str, data)) + "}")
    write_firmware(SANDPIPER, tmp_path / "out")
    (tmp_path / "out" / "player.c").write_text(text)
    path = compiled([*command, REHEARSAL], tmp_path / "out", ["player.c", *LIBRARY], "player")
    assert subprocess.run([path]).returncode == 0
