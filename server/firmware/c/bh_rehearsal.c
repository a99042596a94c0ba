/* Rehearsal; empty without -DBH_REHEARSAL. */
#include "bh_link.h"

#ifdef BH_REHEARSAL
#include <string.h>

#define HEADER_SIZE 6u
#define HEAD_SIZE 16u /* vehicle, session, number, time */
#define COMMAND_APID 0x7FDu
#define LATERAL_BITS ((uint32_t)(((uint64_t)1u << BH_LATERAL_COUNT) - 1u))

/* ---------------------------------------------------------------- fields to values */

static void store(uint8_t *place, uint64_t raw, size_t size)
{
    uint8_t octet = (uint8_t)(raw & 0xFFu);
    uint16_t half = (uint16_t)(raw & 0xFFFFu);
    uint32_t whole = (uint32_t)(raw & 0xFFFFFFFFu);
    if (size == 1u) {
        memcpy(place, &octet, sizeof octet);
    } else if (size == 2u) {
        memcpy(place, &half, sizeof half);
    } else if (size <= 4u) {
        memcpy(place, &whole, sizeof whole);
    } else {
        memcpy(place, &raw, sizeof raw);
    }
}

/* A raw number of so many bits, in two's complement where it is signed. */
static double number_of(uint64_t raw, size_t bits, bool is_signed)
{
    uint64_t top = (uint64_t)1u << (bits - 1u);
    if (is_signed && (raw & top) != 0u) {
        return -(double)(top - (raw & (top - 1u)));
    }
    return (double)raw;
}

static void store_scaled(uint8_t *place, double raw, const bh_scale *scale)
{
    volatile double product = raw * scale->scale; /* rounded by itself, as the ground does it: never fused with the sum */
#if BH_FLOAT_MEMBERS
    float value = (float)(product + scale->offset);
#else
    double value = product + scale->offset;
#endif
    memcpy(place, &value, sizeof value);
}

static uint32_t single_of(uint32_t half)
{
    uint32_t sign = (half & 0x8000u) << 16;
    uint32_t power = (half >> 10) & 0x1Fu;
    uint32_t rest = half & 0x3FFu;
    if (power == 31u) {
        return sign | 0x7F800000u | (rest << 13);
    }
    if (power == 0u) {
        if (rest == 0u) {
            return sign;
        }
        power = 1u;
        while ((rest & 0x400u) == 0u) { /* as a float even the smallest has its leading one */
            rest <<= 1;
            power--;
        }
        rest &= 0x3FFu;
    }
    return sign | ((power + 112u) << 23) | (rest << 13);
}

static uint64_t raw_of(const uint8_t *data, size_t size, bool little)
{
    uint64_t raw = 0;
    size_t i;
    for (i = 0; i < size; i++) {
        raw = (raw << 8) | data[little ? size - 1u - i : i];
    }
    return raw;
}

static void read_group(const bh_field *field, const bh_scale *scales, uint64_t word, uint8_t *place)
{
    uint32_t most = 0xFFFFFFFFu >> (32u - field->size);
    uint32_t raw = (uint32_t)(word >> (field->how & BH_SHIFT)) & most;
    bool is_signed = (field->how & BH_SIGNED) != 0u;
    if (field->number != BH_PLAIN) {
        store_scaled(place, number_of(raw, field->size, is_signed), &scales[field->number]);
        return;
    }
    if (is_signed && (raw & (most ^ (most >> 1))) != 0u) {
        raw |= ~most;
    }
    store(place, raw, field->size <= 8u ? 1u : field->size <= 16u ? 2u : 4u);
}

static void read_number(const bh_field *field, const bh_scale *scales, uint64_t raw, size_t size, uint8_t *place)
{
    uint8_t type = (uint8_t)(field->type & (BH_LITTLE - 1u));
    bool is_signed = type == BH_I8 || type == BH_I16 || type == BH_I32 || type == BH_I24 || type == BH_I64;
    if (type == BH_BOOL) {
        store(place, raw != 0u ? 1u : 0u, 1);
    } else if (type == BH_F16) {
        store(place, single_of((uint32_t)raw), 4);
    } else if (field->number != BH_PLAIN) {
        store_scaled(place, number_of(raw, 8u * size, is_signed), &scales[field->number]);
    } else {
        if (type == BH_I24 && (raw & 0x800000u) != 0u) {
            raw |= 0xFF000000u;
        }
        store(place, raw, size);
    }
}

void bh_read(const bh_field *fields, size_t count, const bh_scale *scales, const uint8_t *data, void *values)
{
    uint8_t *to = (uint8_t *)values;
    size_t i;
    for (i = 0; i < count; i++) {
        const bh_field *field = &fields[i];
        uint8_t type = (uint8_t)(field->type & (BH_LITTLE - 1u));
        size_t size = bh_size_of(type);
        uint64_t raw = raw_of(data, size, (field->type & BH_LITTLE) != 0u);
        if (type >= BH_BITS8 && type <= BH_BITS32) {
            read_group(field, scales, raw, to + field->place);
            if ((field->how & BH_LAST) == 0u) {
                continue;
            }
        } else {
            read_number(field, scales, raw, size, to + field->place);
        }
        data += size;
    }
}

/* ---------------------------------------------------------------- what may be, and what ends it */

static bool is_forbidden(const bh_rehearsal *state)
{
    return (state->continuity & ~(state->simulators & LATERAL_BITS)) != 0u;
}

void bh_rehearsal_end(bh_rehearsal *state, uint8_t why)
{
    if (state->on) {
        state->on = false;
        state->ended = why;
        state->changed = true;
    }
}

static void begin(bh_rehearsal *state, uint32_t time_ms, uint32_t counter)
{
    state->on = true;
    state->shut = true;
    state->changed = true;
    state->ended = BH_REHEARSAL_ENDED_NONE;
    state->entered_ms = time_ms;
    state->played_ms = state->bench_ms;
    state->session = counter;
    state->number = 0;
    state->time_us = 0;
    state->missed = 0;
    state->refused = 0;
    state->ordered = 0;
    state->orders = 0;
    state->cycle_us = 0;
}

uint8_t bh_rehearsal_order(bh_rehearsal *state, bool wired, uint32_t time_ms, uint32_t counter, uint8_t code,
                           unsigned channel)
{
    if (code == BH_REHEARSAL_LEAVE) {
        bh_rehearsal_end(state, BH_REHEARSAL_ENDED_LEFT);
        return BH_REASON_NONE;
    }
    if (!wired) {
        return BH_REASON_NOT_WIRED;
    }
    if (!state->ground_test) {
        return BH_REASON_NOT_IN_GROUND_TEST;
    }
    if (code == BH_REHEARSAL_ENTER) {
        if (is_forbidden(state)) {
            return BH_REASON_CONTINUITY;
        }
        begin(state, time_ms, counter);
    } else if (channel >= 1u && channel <= BH_LATERAL_COUNT) { /* never recovery */
        state->simulators |= (uint32_t)1u << (channel - 1u);
        state->simulator_ms[channel - 1u] = state->bench_ms;
    }
    return BH_REASON_NONE;
}

static void forget_simulators(bh_rehearsal *state)
{
    unsigned i;
    for (i = 0; i < BH_LATERAL_COUNT + 0u; i++) {
        if (state->bench_ms - state->simulator_ms[i] >= BH_REHEARSAL_SIMULATORS_MS) {
            state->simulators &= ~((uint32_t)1u << i);
        }
    }
}

bool bh_bench(bh_vehicle *vehicle, uint32_t time_ms, bool ground_test, uint32_t continuity)
{
    bh_rehearsal *state = &vehicle->rehearsal;
    bool changed;
    state->bench_ms = time_ms;
    state->ground_test = ground_test;
    state->continuity = continuity;
    forget_simulators(state);
    if (is_forbidden(state)) {
        bh_rehearsal_end(state, BH_REHEARSAL_ENDED_CONTINUITY);
    } else if (time_ms - state->played_ms >= BH_REHEARSAL_KEEP_ALIVE_MS) {
        bh_rehearsal_end(state, BH_REHEARSAL_ENDED_STIMULI_STOPPED);
    }
    changed = state->changed;
    state->changed = false;
    return changed;
}

bool bh_rehearsing(const bh_vehicle *vehicle)
{
    return vehicle->rehearsal.on;
}

bool bh_may_fire(bh_vehicle *vehicle, unsigned channel)
{
    bh_rehearsal *state = &vehicle->rehearsal;
    if (!state->shut) {
        return bh_is_channel(channel);
    }
    state->orders++; /* after it too: flight software that still believes in its flight orders on */
    if (bh_is_channel(channel)) {
        state->ordered |= (uint32_t)1u << channel;
    }
    return false;
}

uint32_t bh_rehearsal_ms(const bh_vehicle *vehicle)
{
    return vehicle->rehearsal.entered_ms + vehicle->rehearsal.time_us / 1000u;
}

void bh_cycle_took(bh_vehicle *vehicle, uint32_t us)
{
    if (us > vehicle->rehearsal.cycle_us) {
        vehicle->rehearsal.cycle_us = us;
    }
}

void bh_wired(bh_link *link)
{
    link->wired = true;
}

size_t bh_rehearsal_frame(bh_link *link, uint32_t time_ms, uint8_t *frame)
{
    const bh_rehearsal *state = &link->vehicle->rehearsal;
    bh_rehearsal_packet values;
    values.state = state->on ? BH_REHEARSAL_STATE_REHEARSING : BH_REHEARSAL_STATE_OFF;
    values.ended = state->ended;
    values.session = state->session;
    values.number = state->number;
    values.time_us = state->time_us;
    values.missed = state->missed;
    values.refused = state->refused;
    values.ordered = state->ordered;
    values.orders = state->orders;
    values.simulators = state->simulators;
    values.cycle_us = state->cycle_us;
    return bh_encode(link, BH_PACKET_REHEARSAL, time_ms, &values, frame);
}

/* ---------------------------------------------------------------- stimuli */

bool bh_is_stimulus(const uint8_t *packet, size_t size)
{
    uint32_t first = size >= HEADER_SIZE ? bh_get(packet, 2) : 0u;
    return (first & 0xF800u) == 0x1000u && (first & 0x7FFu) < COMMAND_APID;
}

static uint8_t which_of(const uint8_t *packet, size_t size)
{
    uint32_t apid = bh_get(packet, 2) & 0x7FFu;
    uint8_t i;
    for (i = 0; i < BH_STIMULUS_COUNT; i++) {
        if (bh_stimuli[i].apid == apid) {
            break;
        }
    }
    return i < BH_STIMULUS_COUNT && size == HEADER_SIZE + HEAD_SIZE + bh_stimuli[i].size ? i : (uint8_t)BH_STIMULUS_COUNT;
}

static bool is_for_us(const bh_rehearsal *state, uint32_t id, const uint8_t *packet, size_t size)
{
    const uint8_t *head = packet + HEADER_SIZE;
    uint32_t number;
    if (which_of(packet, size) == BH_STIMULUS_COUNT || bh_get(packet + 4, 2) + 1u != size - HEADER_SIZE) {
        return false;
    }
    number = bh_get(head + 8, 4);
    return bh_get(packet + 2, 2) == (0xC000u | (number & 0x3FFFu)) && bh_get(head, 4) == id &&
           bh_get(head + 4, 4) == state->session && number > state->number;
}

bool bh_take_stimulus(bh_rehearsal *state, bh_played *played, bool wired, uint32_t id, const uint8_t *packet, size_t size)
{
    const bh_stimulus *described;
    uint32_t number;
    if (!state->on || !wired || !is_for_us(state, id, packet, size)) {
        state->refused++;
        return false;
    }
    number = bh_get(packet + HEADER_SIZE + 8u, 4);
    state->missed += number - state->number - 1u;
    state->number = number;
    state->time_us = bh_get(packet + HEADER_SIZE + 12u, 4);
    state->played_ms = state->bench_ms;
    played->which = which_of(packet, size);
    described = &bh_stimuli[played->which];
    memset(&played->values, 0, sizeof played->values);
    bh_read(described->fields, described->count, bh_stimulus_scales, packet + HEADER_SIZE + HEAD_SIZE, &played->values);
    return true;
}

#endif
