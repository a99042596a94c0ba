/* The compiled library as a process: requests on standard input, replies on standard output.
 *
 * `blockhouse demo --encoder PATH` flies with it, and the tests compare it byte for byte with the ground's own code.
 * Request: one letter, size (4 bytes), that many bytes. Reply: size (4 bytes), bytes. Numbers are big-endian, values
 * 64-bit floating point in engineering units.
 *
 *   K  key 32, boot id 2, last counter 4      begin a start of the vehicle             -> dictionary hash 4
 *   P  packet 1, time 4, values               encode: a number is 8 bytes, a text      -> frame, nothing if refused
 *                                             is 2 bytes of size and its bytes
 *   R  time 4, bytes                          hear: O counter 4 code 1 n 1 values      -> items
 *                                             A size 2 frame, D (dropped)
 *   W  counter 4, code 1, stage 1, reason 1, time 4    answer                          -> frame
 *   N                                         last counter 4, good 4, bad 4            -> counts
 *   C data -> CRC 2;  S data -> SHA-256;  H key size 2, key, data -> HMAC;  E data -> frame;  D frame -> 1, content */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../blockhouse.h"

#define REQUEST_MAX 65536u
#define TEXT_ROOM 1024u

static uint8_t request[REQUEST_MAX];
static uint8_t reply[8u * REQUEST_MAX];
static size_t replied;
static uint8_t key[BH_KEY_SIZE];
static bh_link vehicle;

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

static double double_at(const uint8_t *data)
{
    uint64_t bits = ((uint64_t)bh_get(data, 4) << 32) | bh_get(data + 4, 4);
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

/* Put a number into its member as a vehicle's own code would; false when the member's type cannot hold it. */
static bool store(const bh_field *field, uint8_t *place, double value)
{
    size_t size = bh_size_of(field->type);
    double low = 0.0;
    double high;
    if (field->type == BH_F32) {
        float single;
        if (fabs(value) > 3.4028234663852886e38 && !isinf(value)) {
            return false;
        }
        single = (float)value;
        memcpy(place, &single, sizeof single);
        return true;
    }
    if (field->type == BH_F64 || (field->type < BH_F32 && field->number != BH_PLAIN)) {
        memcpy(place, &value, sizeof value);
        return true;
    }
    if (field->type >= BH_BITS8) {
        /* Only what the member's type holds: whether the group of bits does is the library's to say. */
        size = field->size <= 8u ? 1u : field->size <= 16u ? 2u : 4u;
        high = ldexp(1.0, 8 * (int)size) - 1.0;
        if (!(value >= 0.0 && value <= high)) {
            return false;
        }
        store_whole(place, size, value);
        return true;
    }
    high = ldexp(1.0, 8 * (int)size);
    if (field->type == BH_I8 || field->type == BH_I16 || field->type == BH_I32) {
        high /= 2.0;
        low = -high;
    }
    value = rint(value);
    if (!(value >= low && value <= high - 1.0)) {
        return false;
    }
    store_whole(place, size, value);
    return true;
}

static void encode(const uint8_t *at, const uint8_t *end)
{
    static bh_any_packet values;
    static char texts[TEXT_ROOM];
    uint8_t frame[BH_FRAME_MAX];
    unsigned packet = *at;
    uint32_t time_ms = bh_get(at + 1, 4);
    size_t text = 0;
    size_t i;
    bool fits = packet < BH_PACKET_COUNT;
    at += 5;
    for (i = 0; fits && i < bh_packets[packet].count; i++) {
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
        } else {
            fits = store(field, place, double_at(at));
            at += 8;
        }
    }
    if (fits) {
        say(frame, bh_encode(&vehicle, packet, time_ms, &values, frame));
    }
}

#if BH_COMMAND_COUNT > 0
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

static void say_order(const bh_command *command)
{
    size_t i, k;
    say("O", 1);
    say_number(command->counter, 4);
    say_number(command->code, 1);
    for (i = 0; i < BH_COMMAND_COUNT; i++) {
        const bh_command_entry *entry = &bh_commands[i];
        if (entry->code != command->code) {
            continue;
        }
        say_number(entry->count, 1);
        for (k = 0; k < entry->count; k++) {
            double value = argument_value(&bh_arguments[entry->first + k], &command->args);
            uint64_t bits;
            memcpy(&bits, &value, sizeof bits);
            say_number((uint32_t)(bits >> 32), 4);
            say_number((uint32_t)(bits & 0xFFFFFFFFu), 4);
        }
    }
}

static void hear(const uint8_t *at, const uint8_t *end)
{
    uint32_t time_ms = bh_get(at, 4);
    uint8_t frame[BH_FRAME_MAX];
    bh_command command;
    size_t size;
    for (at += 4; at < end; at++) {
        switch (bh_receive(&vehicle, *at, &command)) {
        case BH_ORDER:
            say_order(&command);
            break;
        case BH_DROPPED:
            say("D", 1);
            break;
        case BH_ANSWERED:
            while ((size = bh_owed_answer(&vehicle, time_ms, frame)) > 0u) {
                say("A", 1);
                say_number((uint32_t)size, 2);
                say(frame, size);
            }
            break;
        default:
            break;
        }
    }
}

static void answer(const uint8_t *at)
{
    uint8_t frame[BH_FRAME_MAX];
    bh_command command;
    memset(&command, 0, sizeof command);
    command.counter = bh_get(at, 4);
    command.code = at[4];
    say(frame, bh_answer(&vehicle, bh_get(at + 7, 4), &command, at[5], at[6], frame));
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
        bh_hmac_sha256(at + 2, key_size, at + 2 + key_size, size - 2u - key_size, digest);
        say(digest, sizeof digest);
    } else if (letter == 'E') {
        memcpy(frame + 1, at, size > BH_CONTENT_MAX ? BH_CONTENT_MAX : size);
        say(frame, bh_stuff(frame, size));
    } else {
        got = bh_unstuff(at, size);
        if (got != BH_BAD) {
            say_number(1, 1);
            say(at + 1, got);
        }
    }
}

static void carry_out(char letter, uint8_t *at, size_t size)
{
    switch (letter) {
    case 'K':
        memcpy(key, at, sizeof key);
        bh_begin(&vehicle, key, (uint16_t)bh_get(at + 32, 2), bh_get(at + 34, 4), NULL, NULL);
        say_number(BH_DICTIONARY_HASH, 4);
        break;
    case 'P':
        encode(at, at + size);
        break;
#if BH_COMMAND_COUNT > 0
    case 'R':
        hear(at, at + size);
        break;
    case 'W':
        answer(at);
        break;
#endif
    case 'N':
        say_number(vehicle.last_counter, 4);
        say_number(vehicle.frames_good, 4);
        say_number(vehicle.frames_bad, 4);
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
