"""What the sketch has of rehearsal: text to start from, within `#ifdef BH_REHEARSAL` but for the clock."""

from __future__ import annotations

from collections.abc import Iterator

from server.firmware.layout import Layout
from server.firmware.names import constant_name

PORT = """/* Built with -DBH_REHEARSAL it is flown on the bench by what comes over the cable: take all igniters and ejection
 * charges out, and the motor; keep hands clear of the fins. Before it flies build it without, and see the station say
 * "flight". */
#ifdef BH_REHEARSAL
#define RADIO Serial /* the cable */
#else
#define RADIO Serial1
#endif
"""
CLOCK = """static bh_vehicle board;
static bh_link vehicle;
#ifdef BH_REHEARSAL
/* The vehicle's clock is the one that is played; bench_ms() runs whatever is played. */
static uint32_t bench_ms(void) { return millis(); }
static uint32_t now_ms(void) { return bh_rehearsing(&board) ? bh_rehearsal_ms(&board) : millis(); }
#else
static uint32_t now_ms(void) { return millis(); }
#endif
"""
HEARD = """#ifdef BH_REHEARSAL
        case BH_STIMULUS:
            play();
            return true;
#endif
"""
WIRED = """#ifdef BH_REHEARSAL
    bh_wired(&vehicle);
#endif
"""
LOOP = """#ifdef BH_REHEARSAL
    bench();
#endif"""
BENCH = """/* What the board measures now, whatever is played: whether it is in ground test (or was, when the rehearsal
 * began), and a bit for each channel with continuity. Until it is written no rehearsal begins. */
static bool in_ground_test(void) { return false; }
static uint32_t continuity(void) { return 0xFFFFFFFFu; }

static void bench(void)
{
    static uint32_t said_ms;
    bool changed = bh_bench(&board, bench_ms(), in_ground_test(), continuity());
    if (changed) {
        for (size_t i = 0; i < sizeof plan / sizeof plan[0]; i++) {
            plan[i].due_ms = now_ms(); /* the clock is another one now */
        }
        /* Rehearsing or not any more: start the flight software anew here. */
    }
    if (changed || bench_ms() - said_ms >= BH_REHEARSAL_PERIOD_MS) {
        said_ms = bench_ms();
        queue_frame(bh_rehearsal_frame(&vehicle, now_ms(), frame), OUT_FOR_ANSWERS);
    }
}
"""


def played(layout: Layout) -> Iterator[str]:
    """Yield the functions that take stimuli and run the step."""
    rules = layout.dictionary.rehearsal
    if rules is None:
        return
    yield "#ifdef BH_REHEARSAL"
    yield BENCH
    members, stems = layout.names.stimulus_members, layout.names.stimuli
    for one in layout.stimuli:
        yield f"static void take_{stems[one.name]}(void *, uint32_t time_us, const bh_{stems[one.name]}_stimulus *values)"
        yield "{"
        yield "    (void)time_us;"
        yield "    (void)values; /* to where the flight software reads its sensors, and no sensor while it rehearses */"
        yield "}"
    yield ""
    yield "static void play(void)"
    yield "{"
    yield "    static bh_stimulus_calls calls;"
    yield from (f"    calls.{members[one.name]} = take_{stems[one.name]};" for one in layout.stimuli)
    yield "    bh_play(&vehicle, &calls, NULL);"
    yield "    if (bh_is_step(&vehicle)) {"
    yield "        /* one control cycle of the flight software; what wants to fire goes through fire(), which refuses it */"
    yield "        bh_cycle_took(&board, 0); /* how long it took, in us */"
    for name in rules.answers:
        stem = layout.names.packets[name]
        if layout.dictionary.packets[name].rate_hz > 0.0:
            yield f"        send_{stem}(); /* {constant_name('packet', stem)} */"
        else:
            yield f"        bh_{stem}_packet {stem} = bh_{stem}_packet();"
            yield f"        queue_frame(bh_encode_{stem}(&vehicle, now_ms(), &{stem}, frame), OUT_FOR_ANSWERS);"
    yield "        queue_frame(bh_rehearsal_frame(&vehicle, now_ms(), frame), OUT_FOR_ANSWERS);"
    yield "    }"
    yield "}"
    yield "#endif"
    yield ""
