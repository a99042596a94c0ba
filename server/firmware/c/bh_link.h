/* The vehicle's half of the Blockhouse link: frames down; commands up, checked, obeyed once, answered (WIRE.md 8).
 *
 * One bh_link per start of the vehicle. It holds everything there is to hold; give it to one task only. */
#ifndef BH_LINK_H
#define BH_LINK_H

#include "bh_dictionary.h"
#include "bh_wire.h"

#ifdef __cplusplus
extern "C" {
#endif

#define BH_KEY_SIZE 32u
#define BH_ANSWERS_KEPT 16u
#define BH_ANSWERS_EACH 2u /* one of accepted or refused, one of completed or failed */

/* Called with each new counter before its command is obeyed. Return false when it could not be kept: then the command
 * is refused. A vehicle whose boot id is different at every start may do without (WIRE.md 8). */
typedef bool (*bh_store)(void *user, uint32_t counter);

#if BH_COMMAND_COUNT > 0
/* A command to obey now: genuine, meant for this start, never seen before, its arguments within their limits. */
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

typedef struct {
    bh_remembered what;
    uint16_t boot_id;
    uint8_t next;
} bh_owed;
#endif

typedef struct {
    const uint8_t *key;
    uint32_t last_counter;
    uint32_t frames_good;
    uint32_t frames_bad;
    uint16_t boot_id;
    uint16_t counts[BH_PACKET_COUNT];
#if BH_COMMAND_COUNT > 0
    bh_store store;
    void *user;
    uint16_t pending; /* bytes in `heard`; above BH_ENCODED_MAX: dropping until the next zero */
    uint8_t newest;
    uint8_t heard[BH_ENCODED_MAX];
    bh_remembered remembered[BH_ANSWERS_KEPT];
    bh_owed owed;
#endif
} bh_link;

/* Begin a start of the vehicle. `key` (32 bytes) must live as long as the link. `boot_id` must differ from those of
 * earlier starts: count it in non-volatile memory. `last_counter` is what `store` last kept, 0 without one. */
void bh_begin(bh_link *link, const uint8_t *key, uint16_t boot_id, uint32_t last_counter, bh_store store, void *user);

/* Make the frame of a packet of the dictionary; bh_encode_NAME below are the safe way to call it. Returns the bytes to
 * send, 0 when a value does not fit its field (then nothing has changed). */
size_t bh_encode(bh_link *link, unsigned packet, uint32_t time_ms, const void *values, uint8_t *frame);

#if BH_COMMAND_COUNT > 0
enum bh_heard {
    BH_NOTHING, /* no frame has ended */
    BH_DROPPED, /* a frame that is not for us; counted, not answered */
    BH_ORDER,   /* `command` is to be obeyed and answered with bh_answer */
    BH_ANSWERED /* a repeat or a refusal: nothing to obey; send what bh_owed_answer gives until it gives 0 */
};

/* Take one received byte. After BH_ANSWERED call bh_owed_answer until it returns 0, before the next byte. */
enum bh_heard bh_receive(bh_link *link, uint8_t octet, bh_command *command);

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
