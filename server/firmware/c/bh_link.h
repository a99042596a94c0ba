/* The vehicle's half of the Blockhouse link: frames down; commands up, checked, obeyed once, answered (WIRE.md 8).
 *
 * One bh_vehicle per start: the key, who it is, and what commands it took, by whichever radio they came. One bh_link per
 * radio: its own sequence counts, the bytes heard so far, the answers owed. Any number of links share one vehicle.
 *
 * GUIDE.md beside this file: interrupts and DMA, threads, half-duplex and packet radios, flash wear, the key, what calls cost.
 * Nothing here locks. Call from one task, or hold one lock around every call that touches the same vehicle. From an
 * interrupt or a DMA buffer take the bytes into a queue, and feed bh_receive from the loop: the last byte of a command
 * costs two to three HMACs. `store` is called from inside bh_receive and may take as long as its memory takes. */
#ifndef BH_LINK_H
#define BH_LINK_H

#include "bh_dictionary.h"
#include "bh_rehearsal.h"
#include "bh_wire.h"

#ifdef __cplusplus
extern "C" {
#endif

#define BH_KEY_SIZE 32u
#define BH_ANSWERS_KEPT 16u
#define BH_ANSWERS_EACH 2u /* one of accepted or refused, one of completed or failed */
#define BH_VALID_AT_MOST_MS 10000u

/* Called with each new counter before its command is obeyed. Return false when it could not be kept: then the command
 * is refused, "not stored"; Safe all never is. NULL will do where no boot id ever comes twice (WIRE.md 8). */
typedef bool (*bh_store)(void *user, uint32_t counter);

/* Add one to the count of starts, keep it where switching off does not reach it, and give it. False when it could not
 * be kept. bh_starts.h has one for flash memory. */
typedef bool (*bh_count_start)(void *user, uint32_t *starts);

#if BH_HEARS
/* A command to obey now: genuine, for this vehicle, start, dictionary and moment, never seen before, its arguments within
 * their limits. Code 0: Safe all, which belongs to the wire. */
typedef struct {
    uint32_t counter;
    uint8_t code;
    bh_args args;
} bh_command;

typedef struct {
    uint32_t counter;
    uint8_t code;
    uint8_t count;
    uint8_t stage[BH_ANSWERS_EACH];
    uint8_t reason[BH_ANSWERS_EACH];
} bh_remembered;
#endif

typedef struct {
    const uint8_t *key;
    uint64_t boot_id;
    uint32_t id;
    uint32_t last_counter;
    uint32_t safed_counter; /* of the last Safe all answered completed in this start */
    uint32_t frames_good;
    uint32_t frames_bad;
#if BH_HEARS
    bh_store store;
    void *user;
    uint8_t newest;
    bh_remembered remembered[BH_ANSWERS_KEPT];
#endif
#ifdef BH_REHEARSAL
    bh_rehearsal rehearsal;
#endif
} bh_vehicle;

typedef struct {
    bh_vehicle *vehicle;
    uint32_t refused; /* values that did not fit their field and went out as its nearest (bh_pack) */
    uint16_t counts[BH_PACKET_COUNT];
#if BH_HEARS
    uint16_t pending; /* bytes in `heard`; above BH_ENCODED_MAX: dropping until the next zero */
    uint8_t heard[BH_ENCODED_MAX];
    uint8_t owed_next;
    uint32_t owed_boot;
    bh_remembered owed;
#endif
#ifdef BH_REHEARSAL
    bool wired;
    bh_played played;
#endif
} bh_link;

/* Make the id of a start: the leftmost 64 bits of an HMAC over the count of starts and noise, never 0. One of the two must
 * never come again: a count kept over switching off, or at least eight bytes of a hardware random generator (then
 * `starts` 0). An unconnected pin, the time since the start or a processor's serial number are no noise. A count that
 * begins anew when the whole chip is programmed needs a new key then, or noise. */
uint64_t bh_make_boot_id(const uint8_t *key, uint32_t starts, const void *noise, size_t size);

/* The same with the count of `count`; 0 when it is NULL or fails: a vehicle that cannot tell its starts apart obeys
 * nothing but Safe all, and its identity packet says so. */
uint64_t bh_count_boot_id(const uint8_t *key, bh_count_start count, void *user, const void *noise, size_t size);

#ifdef BH_REHEARSAL
#define bh_begin bh_begin_rehearsal /* files built with and without BH_REHEARSAL have other structs: they must not link */
#endif

/* Begin a start. `key` (32 bytes) must live as long as the vehicle; it is worth a motor to whoever reads it, so switch
 * the chip's readout protection on. `id` is BH_VEHICLE_ID or, where two boards run one program, what each board is.
 * `last_counter` is what `store` last kept, 0 without one. */
void bh_begin(bh_vehicle *vehicle, const uint8_t *key, uint32_t id, uint64_t boot_id, uint32_t last_counter,
              bh_store store, void *user);

/* Begin one radio of a vehicle that has begun. */
void bh_begin_link(bh_link *link, bh_vehicle *vehicle);

/* Make the frame of a packet of the dictionary; bh_encode_NAME below are the safe way to call it. Returns the bytes to
 * send, 0 for a packet that is not there. A value that does not fit goes out as the nearest that does, and is counted. */
size_t bh_encode(bh_link *link, unsigned packet, uint32_t time_ms, const void *values, uint8_t *frame);

/* Make the frame that says who is speaking: send it every second, whatever else is said, and at once after a Safe all.
 * It says whether this was built for flight or for rehearsal. `time_ms` must be the time given to bh_receive: commands
 * run out by it. */
size_t bh_identity_frame(bh_link *link, uint32_t time_ms, uint8_t *frame);

/* Whether there is a firing channel of this number (bh_dictionary.h names them). */
static inline bool bh_is_channel(unsigned channel)
{
#if BH_CHANNEL_COUNT > 0
    return channel < BH_CHANNEL_COUNT;
#else
    (void)channel;
    return false;
#endif
}

#ifdef BH_REHEARSAL
/* Whether it flies on the bench now, by what is played to it. */
bool bh_rehearsing(const bh_vehicle *vehicle);

/* The output gate: whatever switches the current of an igniter asks it at that very place, whoever wants it, a command, the
 * flight software or a timer. False for a channel that is not there, and from the first rehearsal on until the next start,
 * which is counted and told: flight software may believe in its flight a moment longer than the rehearsal lasts. It is no
 * safety device: in a rehearsal igniters and ejection charges are out. */
bool bh_may_fire(bh_vehicle *vehicle, unsigned channel);

/* This link is a cable, no radio: it may begin a rehearsal, and play it. */
void bh_wired(bh_link *link);

/* Every loop, before bh_receive: what the board measures now, never what is played. `time_ms`: of a clock that runs whatever
 * is played; `ground_test`: it was in ground test, where it does not rehearse, or was when that began; `continuity`: a bit
 * for each channel. Ends the rehearsal where it must. True when the state has changed since: send bh_rehearsal_frame. */
bool bh_bench(bh_vehicle *vehicle, uint32_t time_ms, bool ground_test, uint32_t continuity);

/* Make the frame that tells how it goes: every second, whenever bh_bench is true, and last in answer to each step. */
size_t bh_rehearsal_frame(bh_link *link, uint32_t time_ms, uint8_t *frame);

/* The vehicle time in a rehearsal: of its beginning, and what was played since. Packets and bh_receive go by it. */
uint32_t bh_rehearsal_ms(const bh_vehicle *vehicle);

/* Tell how long one control cycle took; the greatest is told on. */
void bh_cycle_took(bh_vehicle *vehicle, uint32_t us);
#else
static inline bool bh_rehearsing(const bh_vehicle *vehicle)
{
    (void)vehicle;
    return false;
}

/* The output gate: whatever switches the current of an igniter asks it at that very place, whoever wants it. Built for flight
 * it is true for every channel there is. */
static inline bool bh_may_fire(bh_vehicle *vehicle, unsigned channel)
{
    (void)vehicle;
    return bh_is_channel(channel);
}
#endif

#if BH_HEARS
enum bh_heard {
    BH_NOTHING,  /* no frame has ended */
    BH_DROPPED,  /* a frame that is not for us; counted, not answered */
    BH_ORDER,    /* `command` is to be obeyed and answered with bh_answer */
    BH_ANSWERED, /* a repeat or a refusal: nothing to obey; send what bh_owed_answer gives until it gives 0 */
    BH_SAFE_ALL  /* inhibit everything but recovery now, each time it is heard; answer it completed with bh_answer */
#ifdef BH_REHEARSAL
    ,
    BH_STIMULUS /* sensor values: give them to the flight software with bh_play (blockhouse.h) */
#endif
};

/* Take one received byte at vehicle time `time_ms`: milliseconds since the start, which may wrap at 2^32 and nowhere
 * else. After BH_ANSWERED call bh_owed_answer until it returns 0, before the next byte. */
enum bh_heard bh_receive(bh_link *link, uint8_t octet, uint32_t time_ms, bh_command *command);

/* Make the next frame owed to a repeat or a refusal; 0 when there is none. */
size_t bh_owed_answer(bh_link *link, uint32_t time_ms, uint8_t *frame);

/* Make the answer to a command, and remember it for repeats. */
size_t bh_answer(bh_link *link, uint32_t time_ms, const bh_command *command, uint8_t stage, uint8_t reason,
                 uint8_t *frame);
#endif

#ifdef __cplusplus
}
#endif
#endif
