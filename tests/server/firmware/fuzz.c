/* Garbage and damaged commands into the compiled receiver: `fuzz FRAMES SEED BYTES [honest]`.
 *
 * FRAMES holds genuine frames for key 00..1F, the dictionary's vehicle, boot id 5 and vehicle time 0, each with two bytes
 * of size before it. Nothing fed here is genuine, so nothing may be obeyed or answered; with `honest` each frame is also
 * fed once as it is, which shows that the search would see it. Prints: bytes fed, frames dropped, orders and Safe alls,
 * answers. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "blockhouse.h"

#define FRAMES_MAX 512u

static uint8_t frames[FRAMES_MAX][BH_FRAME_MAX];
static size_t sizes[FRAMES_MAX];
static unsigned count;
static bh_vehicle vehicle;
static bh_link radio;
static uint64_t state;
static unsigned long long fed, dropped, orders, answers;

/* Marsaglia's xorshift64* generator (Journal of Statistical Software 8(14), 2003; the multiplier from memory). */
static uint32_t any(uint32_t below)
{
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return (uint32_t)((state * 2685821657736338717u) >> 33) % below;
}

static void feed(const uint8_t *data, size_t size)
{
    bh_command command;
    uint8_t frame[BH_FRAME_MAX];
    size_t i;
    for (i = 0; i < size; i++) {
        switch (bh_receive(&radio, data[i], 0, &command)) {
        case BH_ORDER:
        case BH_SAFE_ALL:
            orders++;
            (void)bh_answer(&radio, 0, &command, BH_STAGE_ACCEPTED, BH_REASON_NONE, frame);
            break;
        case BH_ANSWERED:
            answers++;
            while (bh_owed_answer(&radio, 0, frame) > 0u) {
            }
            break;
        case BH_DROPPED:
            dropped++;
            break;
        default:
            break;
        }
    }
    fed += size;
}

static void garbage(void)
{
    uint8_t data[700];
    size_t size = 1u + any(any(4) == 0u ? 699u : 60u);
    size_t i;
    for (i = 0; i < size; i++) {
        data[i] = (uint8_t)(1u + any(255));
    }
    data[size - 1u] = 0u;
    feed(data, size);
}

/* Tell whether `data` holds the whole of a genuine frame, which would rightly be obeyed. */
static bool is_genuine(const uint8_t *data, size_t size, unsigned which)
{
    size_t at;
    for (at = 0; at + sizes[which] <= size + 1u; at++) { /* its leading zero may be the end of what came before */
        if (memcmp(data + at, frames[which] + 1, sizes[which] - 1u) == 0) {
            return true;
        }
    }
    return false;
}

static void damaged(void)
{
    uint8_t data[2u * BH_FRAME_MAX];
    unsigned which = any(count);
    size_t size = sizes[which];
    unsigned times = 1u + any(6);
    memcpy(data, frames[which], size);
    while (times-- > 0u && size > 1u) {
        size_t at = any((uint32_t)size);
        switch (any(5)) {
        case 0:
            data[at] = (uint8_t)(data[at] ^ (1u << any(8)));
            break;
        case 1:
            data[at] = (uint8_t)any(256);
            break;
        case 2:
            memmove(data + at, data + at + 1u, size - at - 1u);
            size--;
            break;
        case 3:
            memmove(data + at + 1u, data + at, size - at);
            data[at] = (uint8_t)any(256);
            size++;
            break;
        default: {
            unsigned other = any(count);
            if (at < sizes[other]) {
                data[at] = frames[other][at];
            }
        }
        }
    }
    data[size] = 0u; /* so that what comes next is judged by itself; it can also give a frame its lost end back */
    size++;
    if (!is_genuine(data, size, which)) {
        feed(data, size);
    }
}

/* Damage below the checksum and the stuffing, which are made right again: only the tag is left to notice it. */
static void resealed(void)
{
    uint8_t data[BH_FRAME_MAX];
    unsigned which = any(count);
    size_t size, at;
    uint8_t before;
    memcpy(data, frames[which], sizes[which]);
    size = bh_unstuff(data + 1, sizes[which] - 2u);
    at = any(8) == 0u ? any((uint32_t)size - 2u) : 6u + any((uint32_t)size - 8u);
    before = data[BH_FRAME_HEAD + at];
    data[BH_FRAME_HEAD + at] = (uint8_t)any(256);
    if (data[BH_FRAME_HEAD + at] == before) {
        return;
    }
    bh_put(data + BH_FRAME_HEAD + size - 2u, bh_crc16(data + BH_FRAME_HEAD, size - 2u), 2);
    feed(data, bh_stuff(data, size));
}

/* A header and a checksum as they should be around random bytes of every length. */
static void invented(void)
{
    uint8_t data[BH_FRAME_MAX];
    size_t size = 20u + any(233);
    size_t i;
    for (i = 6; i < size; i++) {
        data[BH_FRAME_HEAD + i] = (uint8_t)any(any(2) == 0u ? 2u : 256u);
    }
    bh_put(data + BH_FRAME_HEAD, 0x17FDu + any(2), 2);
    bh_put(data + BH_FRAME_HEAD + 2, 0xC000u | any(16384), 2);
    bh_put(data + BH_FRAME_HEAD + 4, (uint32_t)size - 7u, 2);
    bh_put(data + BH_FRAME_HEAD + size, bh_crc16(data + BH_FRAME_HEAD, size), 2);
    feed(data, bh_stuff(data, size + 2u));
}

int main(int words, char **word)
{
    static uint8_t key[BH_KEY_SIZE];
    unsigned long long wanted;
    uint8_t head[2];
    unsigned i;
    FILE *file = words >= 4 ? fopen(word[1], "rb") : NULL;
    if (file == NULL) {
        return 2;
    }
    while (count < FRAMES_MAX && fread(head, 1, 2, file) == 2u) {
        sizes[count] = bh_get(head, 2);
        if (sizes[count] > BH_FRAME_MAX || fread(frames[count], 1, sizes[count], file) != sizes[count]) {
            return 2;
        }
        count++;
    }
    fclose(file);
    for (i = 0; i < BH_KEY_SIZE; i++) {
        key[i] = (uint8_t)i;
    }
    state = strtoull(word[2], NULL, 10) * 2u + 1u;
    wanted = strtoull(word[3], NULL, 10);
    bh_begin(&vehicle, key, BH_VEHICLE_ID, 5, 0, NULL, NULL);
    bh_begin_link(&radio, &vehicle);
    for (i = 0; words > 4 && i < count; i++) {
        feed(frames[i], sizes[i]);
    }
    while (fed < wanted) {
        switch (any(4)) {
        case 0:
            garbage();
            break;
        case 1:
            damaged();
            break;
        case 2:
            resealed();
            break;
        default:
            invented();
        }
    }
    printf("%llu %llu %llu %llu\n", fed, dropped, orders, answers);
    return 0;
}
