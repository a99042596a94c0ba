/* The compiled library as a process: requests on standard input, replies on standard output.
 *
 * `blockhouse demo --encoder PATH` flies with it, and the tests compare it byte for byte with the ground's own code.
 * Request: one letter, size (4 bytes), that many bytes. Reply: size (4 bytes), bytes. Numbers are big-endian, values
 * 64-bit floating point in engineering units.
 *
 *   K  key 32, id 4, boot id 8, last counter 4    begin a start of the vehicle            -> dictionary hash 4
 *   F  1 or 0                                      storing a counter fails from now on     -> nothing
 *   P  radio 1, packet 1, time 4, values           encode: a number is 8 bytes, a text     -> frame
 *                                                  is 2 bytes of size and its bytes
 *   I  radio 1, time 4                             say who is speaking                     -> frame
 *   R  radio 1, time 4, bytes                      hear: O counter 4 code 1 n 1 values     -> items
 *                                                  S counter 4 (Safe all), D (dropped),
 *                                                  A size 2 frame, in a build for rehearsal
 *                                                  T which 1 step 1 time 4 n 1 values 8 each
 *   X  radio 1, time 4, bytes                      the same, and each order is at once    -> items
 *                                                  answered accepted and completed
 *   W  radio 1, counter 4, code 1, stage 1, reason 1, time 4    answer                     -> frame
 *   N  radio 1                                     last counter 4, good 4, bad 4,          -> counts
 *                                                  safed counter 4, stored 4, refused 4
 *   B  key 32, starts 4, noise                     make a boot id                          -> boot id 8
 *   G  channel 1                                   may it fire                             -> 1 or 0
 *   Y  time 4, ground test 1, continuity 4         bench, in a build for rehearsal         -> changed 1, state 1
 *   M  radio 1 (it is a cable);  Q  microseconds 4 (a cycle took them);  Z radio 1, time 4 -> frame of a rehearsal
 *   C data -> CRC 2;  S data -> SHA-256;  H key size 2, key, data -> HMAC;  E data -> frame;  D frame -> 1, content */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../blockhouse.h"

#define REQUEST_MAX 65536u
#define TEXT_ROOM 1024u
#define RADIOS 4u

static uint8_t request[REQUEST_MAX];
static uint8_t reply[8u * REQUEST_MAX];
static size_t replied;
static uint8_t key[BH_KEY_SIZE];
static bh_vehicle vehicle;
static bh_link radios[RADIOS];
static bool store_fails;
static uint32_t stored;

static void say(const void *data, size_t size)
{
    if (replied + size > sizeof reply) {
        exit(3);
    }
    memcpy(reply + replied, data, size);
    replied += size;
}

static void say_number(uint32_t value, size_t size)
{
    uint8_t out[4];
    bh_put(out, value, size);
    say(out, size);
}

static void say_long(uint64_t value)
{
    say_number((uint32_t)(value >> 32), 4);
    say_number((uint32_t)(value & 0xFFFFFFFFu), 4);
}

static uint64_t long_at(const uint8_t *data)
{
    return ((uint64_t)bh_get(data, 4) << 32) | bh_get(data + 4, 4);
}

static bool keep(void *user, uint32_t counter)
{
    (void)user;
    if (!store_fails) {
        stored = counter;
    }
    return !store_fails;
}

static double double_at(const uint8_t *data)
{
    uint64_t bits = long_at(data);
    double value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

static void store_whole(uint8_t *place, size_t size, double value)
{
    /* By way of a signed 64-bit integer, so that a negative one becomes its two's complement. */
    uint64_t bits = (uint64_t)(int64_t)value;
    uint8_t octet = (uint8_t)(bits & 0xFFu);
    uint16_t half = (uint16_t)(bits & 0xFFFFu);
    uint32_t whole = (uint32_t)(bits & 0xFFFFFFFFu);
    if (size == 1u) {
        memcpy(place, &octet, sizeof octet);
    } else if (size == 2u) {
        memcpy(place, &half, sizeof half);
    } else {
        memcpy(place, &whole, sizeof whole);
    }
}

/* As IEEE 754 narrows it. What is not a number keeps its sign and the upper bits of its payload, whatever this machine's
 * own conversion makes of them. */
static float narrowed(double value)
{
    uint64_t bits;
    uint32_t half;
    float single = (float)value;
    memcpy(&bits, &value, sizeof bits);
    if (isnan(value)) {
        half = (uint32_t)((bits >> 32) & 0x80000000u) | 0x7FC00000u | (uint32_t)((bits >> 29) & 0x3FFFFFu);
        memcpy(&single, &half, sizeof single);
    }
    return single;
}

/* A whole number for a member of this many bits: the nearest it holds, by the rule of bh_pack. */
static double held(double value, unsigned bits, bool is_signed, uint32_t *refused)
{
    double high = ldexp(1.0, (int)bits - (is_signed ? 1 : 0)) - 1.0;
    double low = is_signed ? -high - 1.0 : 0.0;
    if (value >= low && value <= high) {
        return value;
    }
    (*refused)++;
    if (isnan(value)) {
        return is_signed ? low : high;
    }
    return value < low ? low : high;
}

/* A whole number for a member of 64 bits, as bits. */
static uint64_t held_wide(double value, bool is_signed, uint32_t *refused)
{
    const double room = is_signed ? 9223372036854775808.0 : 18446744073709551616.0;
    if (value >= 0.0 && value < room) {
        return (uint64_t)value;
    }
    if (is_signed && value < 0.0 && value >= -room) {
        return (uint64_t)(int64_t)value;
    }
    (*refused)++;
    if (is_signed) {
        return value > 0.0 ? UINT64_MAX >> 1 : (UINT64_MAX >> 1) + 1u;
    }
    return value < 0.0 ? 0u : UINT64_MAX;
}

static void store_group(const bh_field *field, uint8_t *place, double value, uint32_t *refused)
{
    /* Only what the member's type holds: whether the group of bits does is the library's to say. */
    bool is_signed = (field->how & BH_SIGNED) != 0u;
    size_t size = field->size <= 8u ? 1u : field->size <= 16u ? 2u : 4u;
    uint32_t mine = 0;
    value = held(trunc(value), 8u * (unsigned)size, is_signed, &mine);
    if (mine != 0u && ((value == 0.0 && !is_signed) || field->size == 8u * size)) {
        (*refused)++; /* the library will see a value that fits */
    }
    store_whole(place, size, value);
}

/* Put a number into its member as a vehicle's own code would. */
static void store(const bh_field *field, uint8_t *place, double value, uint32_t *refused)
{
    uint8_t type = (uint8_t)(field->type & (BH_LITTLE - 1u));
    bool is_signed = type == BH_I8 || type == BH_I16 || type == BH_I32 || type == BH_I24 || type == BH_I64;
    size_t size = bh_size_of(type);
    if (type == BH_F32 || type == BH_F16 || (BH_FLOAT_MEMBERS && field->number != BH_PLAIN)) {
        float single = narrowed(value);
        memcpy(place, &single, sizeof single);
    } else if (type == BH_F64 || field->number != BH_PLAIN) {
        memcpy(place, &value, sizeof value);
    } else if (type >= BH_BITS8 && type <= BH_BITS32) {
        store_group(field, place, value, refused);
    } else if (type == BH_BOOL) {
        store_whole(place, 1, held(rint(value), 1, false, refused));
    } else if (size == 8u) {
        uint64_t bits = held_wide(rint(value), is_signed, refused);
        memcpy(place, &bits, sizeof bits);
    } else {
        value = held(rint(value), 8u * (unsigned)size, is_signed, refused);
        store_whole(place, size == 3u ? 4u : size, value);
    }
}

static void encode(const uint8_t *at, const uint8_t *end)
{
    static bh_any_packet values;
    static char texts[TEXT_ROOM];
    uint8_t frame[BH_FRAME_MAX];
    bh_link *radio = &radios[at[0] % RADIOS];
    unsigned packet = at[1];
    uint32_t time_ms = bh_get(at + 2, 4);
    size_t text = 0;
    size_t i;
    at += 6;
    for (i = 0; packet < BH_PACKET_COUNT && i < bh_packets[packet].count; i++) {
        const bh_field *field = &bh_packets[packet].fields[i];
        uint8_t *place = (uint8_t *)&values + field->place;
        if (field->type == BH_TEXT) {
            size_t size = bh_get(at, 2);
            const char *kept = texts + text;
            if (size > (size_t)(end - at) - 2u || text + size + 1u > sizeof texts) {
                return;
            }
            memcpy(texts + text, at + 2, size);
            texts[text + size] = '\0';
            text += size + 1u;
            memcpy(place, &kept, sizeof kept);
            at += 2u + size;
        } else if (field->type == BH_BYTES) {
            size_t size = bh_get(at, 2);
            memset(place, 0, field->size);
            memcpy(place, at + 2, size <= field->size ? size : field->size);
            at += 2u + size;
        } else {
            store(field, place, double_at(at), &radio->refused);
            at += 8;
        }
    }
    say(frame, bh_encode(radio, packet, time_ms, &values, frame));
}

#if BH_ARGUMENT_COUNT > 0
static double argument_value(const bh_argument *argument, const bh_args *args)
{
    const uint8_t *place = (const uint8_t *)args + argument->place;
    double value;
    int8_t i8;
    int16_t i16;
    int32_t i32;
    uint16_t u16;
    uint32_t u32;
    if (argument->type == BH_F32 || argument->type == BH_F64 || bh_all_limits[argument->limits].scale != 1.0) {
        memcpy(&value, place, sizeof value);
        return value;
    }
    switch (argument->type) {
    case BH_I8:
        memcpy(&i8, place, sizeof i8);
        return i8;
    case BH_I16:
        memcpy(&i16, place, sizeof i16);
        return i16;
    case BH_I32:
        memcpy(&i32, place, sizeof i32);
        return i32;
    case BH_U16:
        memcpy(&u16, place, sizeof u16);
        return u16;
    case BH_U32:
        memcpy(&u32, place, sizeof u32);
        return u32;
    default:
        return *place;
    }
}

#endif

#if BH_COMMAND_COUNT > 0
static void say_order(const bh_command *command)
{
    size_t i;
#if BH_ARGUMENT_COUNT > 0
    size_t k;
#endif
    say("O", 1);
    say_number(command->counter, 4);
    say_number(command->code, 1);
    for (i = 0; i < BH_COMMAND_COUNT; i++) {
        const bh_command_entry *entry = &bh_commands[i];
        if (entry->code != command->code) {
            continue;
        }
        say_number(entry->count, 1);
#if BH_ARGUMENT_COUNT > 0
        for (k = 0; k < entry->count; k++) {
            double value = argument_value(&bh_arguments[entry->first + k], &command->args);
            uint64_t bits;
            memcpy(&bits, &value, sizeof bits);
            say_long(bits);
        }
#endif
    }
}

#endif

#if BH_HEARS
static void say_frame(const uint8_t *frame, size_t size)
{
    say("A", 1);
    say_number((uint32_t)size, 2);
    say(frame, size);
}

#ifdef BH_REHEARSAL
/* A member of a stimulus as a number. */
static double played_value(const bh_field *field, const uint8_t *place)
{
    uint8_t type = (uint8_t)(field->type & (BH_LITTLE - 1u));
    bool is_signed = type == BH_I8 || type == BH_I16 || type == BH_I32 || type == BH_I24 || (field->how & BH_SIGNED) != 0u;
    bool is_group = type >= BH_BITS8 && type <= BH_BITS32;
    size_t size = is_group ? (field->size <= 8u ? 1u : field->size <= 16u ? 2u : 4u) : bh_size_of(type);
    double value;
    float single;
    int8_t i8;
    int16_t i16;
    int32_t i32;
    int64_t i64;
    uint16_t u16;
    uint32_t u32;
    uint64_t u64;
    if (type == BH_F32 || type == BH_F16 || (BH_FLOAT_MEMBERS && field->number != BH_PLAIN)) {
        memcpy(&single, place, sizeof single);
        return (double)single;
    }
    if (type == BH_F64 || field->number != BH_PLAIN) {
        memcpy(&value, place, sizeof value);
        return value;
    }
    if (size == 8u) {
        memcpy(&i64, place, sizeof i64);
        memcpy(&u64, place, sizeof u64);
        return type == BH_I64 ? (double)i64 : (double)u64;
    }
    if (size == 1u) {
        memcpy(&i8, place, sizeof i8);
        return is_signed ? i8 : *place;
    }
    if (size == 2u) {
        memcpy(&i16, place, sizeof i16);
        memcpy(&u16, place, sizeof u16);
        return is_signed ? i16 : u16;
    }
    memcpy(&i32, place, sizeof i32);
    memcpy(&u32, place, sizeof u32);
    return is_signed ? (double)i32 : (double)u32;
}

static void say_stimulus(const bh_link *radio)
{
    const bh_stimulus *described = &bh_stimuli[radio->played.which];
    size_t i;
    say("T", 1);
    say_number(radio->played.which, 1);
    say_number(bh_is_step(radio) ? 1u : 0u, 1);
    say_number(radio->vehicle->rehearsal.time_us, 4);
    say_number(described->count, 1);
    for (i = 0; i < described->count; i++) {
        const bh_field *field = &described->fields[i];
        double value = played_value(field, (const uint8_t *)&radio->played.values + field->place);
        uint64_t bits;
        memcpy(&bits, &value, sizeof bits);
        say_long(bits);
    }
}

#endif

static void hear(const uint8_t *at, const uint8_t *end, bool obeys)
{
    bh_link *radio = &radios[at[0] % RADIOS];
    uint32_t time_ms = bh_get(at + 1, 4);
    uint8_t frame[BH_FRAME_MAX];
    bh_command command;
    size_t size;
    for (at += 5; at < end; at++) {
        enum bh_heard heard = bh_receive(radio, *at, time_ms, &command);
        switch (heard) {
#if BH_COMMAND_COUNT > 0
        case BH_ORDER:
            say_order(&command);
            break;
#endif
        case BH_SAFE_ALL:
            say("S", 1);
            say_number(command.counter, 4);
            break;
        case BH_DROPPED:
            say("D", 1);
            break;
#ifdef BH_REHEARSAL
        case BH_STIMULUS:
            say_stimulus(radio);
            break;
#endif
        case BH_ANSWERED:
            while ((size = bh_owed_answer(radio, time_ms, frame)) > 0u) {
                say_frame(frame, size);
            }
            break;
        default:
            break;
        }
        if (obeys && (heard == BH_ORDER || heard == BH_SAFE_ALL)) {
            say_frame(frame, bh_answer(radio, time_ms, &command, BH_STAGE_ACCEPTED, BH_REASON_NONE, frame));
            say_frame(frame, bh_answer(radio, time_ms, &command, BH_STAGE_COMPLETED, BH_REASON_NONE, frame));
        }
    }
}

static void answer(const uint8_t *at)
{
    uint8_t frame[BH_FRAME_MAX];
    bh_command command;
    memset(&command, 0, sizeof command);
    command.counter = bh_get(at + 1, 4);
    command.code = at[5];
    say(frame, bh_answer(&radios[at[0] % RADIOS], bh_get(at + 8, 4), &command, at[6], at[7], frame));
}
#endif

static void check_parts(char letter, uint8_t *at, size_t size)
{
    uint8_t frame[BH_FRAME_MAX] = {0};
    uint8_t digest[32];
    size_t got;
    if (letter == 'C') {
        say_number(bh_crc16(at, size), 2);
    } else if (letter == 'S') {
        bh_sha256(at, size, digest);
        say(digest, sizeof digest);
    } else if (letter == 'H') {
        size_t key_size = bh_get(at, 2);
        bh_hmac_sha256(at + 2, key_size, NULL, 0, at + 2 + key_size, size - 2u - key_size, digest);
        say(digest, sizeof digest);
    } else if (letter == 'E') {
        memcpy(frame + BH_FRAME_HEAD, at, size > BH_CONTENT_MAX ? BH_CONTENT_MAX : size);
        say(frame, bh_stuff(frame, size));
    } else {
        got = bh_unstuff(at, size);
        if (got != BH_BAD) {
            say_number(1, 1);
            say(at + 1, got);
        }
    }
}

static void begin(const uint8_t *at)
{
    unsigned i;
    memcpy(key, at, sizeof key);
    bh_begin(&vehicle, key, bh_get(at + 32, 4), long_at(at + 36), bh_get(at + 44, 4), keep, NULL);
    for (i = 0; i < RADIOS; i++) {
        bh_begin_link(&radios[i], &vehicle);
    }
    store_fails = false;
    stored = 0;
    say_number(BH_DICTIONARY_HASH, 4);
}

static void say_counts(const bh_link *radio)
{
    say_number(vehicle.last_counter, 4);
    say_number(vehicle.frames_good, 4);
    say_number(vehicle.frames_bad, 4);
    say_number(vehicle.safed_counter, 4);
    say_number(stored, 4);
    say_number(radio->refused, 4);
}

static void carry_out(char letter, uint8_t *at, size_t size)
{
    uint8_t frame[BH_FRAME_MAX];
    switch (letter) {
    case 'K':
        begin(at);
        break;
    case 'F':
        store_fails = at[0] != 0u;
        break;
    case 'P':
        encode(at, at + size);
        break;
    case 'I':
        say(frame, bh_identity_frame(&radios[at[0] % RADIOS], bh_get(at + 1, 4), frame));
        break;
#if BH_HEARS
    case 'R':
    case 'X':
        hear(at, at + size, letter == 'X');
        break;
    case 'W':
        answer(at);
        break;
#endif
    case 'N':
        say_counts(&radios[at[0] % RADIOS]);
        break;
    case 'G':
        say_number(bh_may_fire(&vehicle, at[0]) ? 1u : 0u, 1);
        break;
#ifdef BH_REHEARSAL
    case 'M':
        bh_wired(&radios[at[0] % RADIOS]);
        break;
    case 'Y':
        say_number(bh_bench(&vehicle, bh_get(at, 4), at[4] != 0u, bh_get(at + 5, 4)) ? 1u : 0u, 1);
        say_number(bh_rehearsing(&vehicle) ? 1u : 0u, 1);
        break;
    case 'Q':
        bh_cycle_took(&vehicle, bh_get(at, 4));
        break;
    case 'Z':
        say(frame, bh_rehearsal_frame(&radios[at[0] % RADIOS], bh_get(at + 1, 4), frame));
        break;
#endif
    case 'B':
        say_long(bh_make_boot_id(at, bh_get(at + 32, 4), at + 36, size - 36u));
        break;
    default:
        check_parts(letter, at, size);
    }
}

int main(void)
{
    uint8_t head[5];
    while (fread(head, 1, sizeof head, stdin) == sizeof head) {
        size_t size = bh_get(head + 1, 4);
        uint8_t out[4];
        if (size > sizeof request || fread(request, 1, size, stdin) != size) {
            return 2;
        }
        replied = 0;
        carry_out((char)head[0], request, size);
        bh_put(out, (uint32_t)replied, 4);
        if (fwrite(out, 1, sizeof out, stdout) != sizeof out || fwrite(reply, 1, replied, stdout) != replied) {
            return 1;
        }
        fflush(stdout);
    }
    return 0;
}
