/* Rehearsal: the flight computer flown on the bench by sensor values that come over a cable (WIRE.md 14, GUIDE.md).
 *
 * All of it exists with -DBH_REHEARSAL only; firmware that flies is built without. What a program calls stands in
 * bh_link.h and blockhouse.h; this is what a vehicle remembers of it, and the judgements that bh_link.c asks for. */
#ifndef BH_REHEARSAL_H
#define BH_REHEARSAL_H

#include "bh_dictionary.h"

#ifdef BH_REHEARSAL
#if !BH_STIMULI
#error "Blockhouse: BH_REHEARSAL needs a dictionary with [rehearsal] and stimuli; build without it to fly"
#endif

#ifdef __cplusplus
extern "C" {
#endif

typedef struct {
    bool on;
    bool shut;        /* the output gate: from the first rehearsal on until the next start */
    bool changed;     /* since bh_bench told of it last */
    bool ground_test; /* what bh_bench measured last; nothing was at the start */
    uint8_t ended;
    uint32_t continuity;
    uint32_t bench_ms;  /* its clock, which runs whatever is played */
    uint32_t played_ms; /* the same clock at the last stimulus */
    uint32_t entered_ms; /* vehicle time of the command that began it */
    uint32_t session;
    uint32_t number;
    uint32_t time_us;
    uint32_t missed;
    uint32_t refused;
    uint32_t ordered;
    uint32_t orders;
    uint32_t simulators;
    uint32_t cycle_us;
    uint32_t simulator_ms[BH_LATERAL_COUNT + 1u];
} bh_rehearsal;

/* The last stimulus of a link. */
typedef struct {
    uint8_t which;
    bh_any_stimulus values;
} bh_played;

/* Judge a command of the dictionary's that is one of rehearsal, and do what it asks: BH_REASON_NONE, or why not. */
uint8_t bh_rehearsal_order(bh_rehearsal *state, bool wired, uint32_t time_ms, uint32_t counter, uint8_t code,
                           unsigned channel);

/* End it, if there is one. */
void bh_rehearsal_end(bh_rehearsal *state, uint8_t why);

/* Whether a whole uplink packet (CRC right and left out) is to be judged as a stimulus, not as a command. */
bool bh_is_stimulus(const uint8_t *packet, size_t size);

/* Take a stimulus for vehicle `id` heard by a link. False when it is refused, which is counted. */
bool bh_take_stimulus(bh_rehearsal *state, bh_played *played, bool wired, uint32_t id, const uint8_t *packet, size_t size);

/* Read fields into the members of a stimulus's struct, the other way round than bh_pack. */
void bh_read(const bh_field *fields, size_t count, const bh_scale *scales, const uint8_t *data, void *values);

#ifdef __cplusplus
}
#endif
#endif
#endif
