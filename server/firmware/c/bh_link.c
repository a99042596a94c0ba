#include "bh_link.h"

#include <string.h>

#define HEADER_SIZE 6u
#define TIME_SIZE 4u
#define CRC_SIZE 2u
#define WIRE 2u
#define LABEL_MAX 12u
#define SAID_COUNT 8u /* fields of the identity packet before its tag, and their bytes */
#define SAID_SIZE 26u

/* HMAC over a word, a number and data: the shape of every tag of the wire. */
static void make_tag(const uint8_t *key, const char *label, uint32_t number, const uint8_t *data, size_t size,
                     uint8_t tag[32])
{
    uint8_t head[LABEL_MAX + 4u];
    size_t length = strlen(label);
    memcpy(head, label, length);
    bh_put(head + length, number, 4);
    bh_hmac_sha256(key, BH_KEY_SIZE, head, length + 4u, data, size, tag);
}

static uint32_t upper(uint64_t value)
{
    return (uint32_t)(value >> 32);
}

static uint32_t lower(uint64_t value)
{
    return (uint32_t)(value & 0xFFFFFFFFu);
}

static uint64_t joined(const uint8_t *data)
{
    return ((uint64_t)bh_get(data, 4) << 32) | bh_get(data + 4, 4);
}

uint64_t bh_make_boot_id(const uint8_t *key, uint32_t starts, const void *noise, size_t size)
{
    uint8_t tag[32];
    uint64_t boot_id;
    make_tag(key, "BH2 start", starts, (const uint8_t *)noise, size, tag);
    boot_id = joined(tag);
    return boot_id != 0u ? boot_id : 1u;
}

uint64_t bh_count_boot_id(const uint8_t *key, bh_count_start count, void *user, const void *noise, size_t size)
{
    uint32_t starts = 0;
    if (count == NULL || !count(user, &starts)) {
        return 0;
    }
    return bh_make_boot_id(key, starts, noise, size);
}

void bh_begin(bh_vehicle *vehicle, const uint8_t *key, uint32_t id, uint64_t boot_id, uint32_t last_counter,
              bh_store store, void *user)
{
    memset(vehicle, 0, sizeof *vehicle);
    vehicle->key = key;
    vehicle->id = id;
    vehicle->boot_id = boot_id;
    vehicle->last_counter = last_counter;
#if BH_HEARS
    vehicle->store = store;
    vehicle->user = user;
#else
    (void)store;
    (void)user;
#endif
}

void bh_begin_link(bh_link *link, bh_vehicle *vehicle)
{
    memset(link, 0, sizeof *link);
    link->vehicle = vehicle;
}

size_t bh_encode(bh_link *link, unsigned packet, uint32_t time_ms, const void *values, uint8_t *frame)
{
    uint8_t *content = frame + BH_FRAME_HEAD;
    const bh_packet *described;
    size_t size;
    if (packet >= BH_PACKET_COUNT) {
        return 0;
    }
    described = &bh_packets[packet];
    size = TIME_SIZE + bh_pack(described->fields, described->count, bh_scales, values, content + HEADER_SIZE + TIME_SIZE,
                               &link->refused);
    bh_put(content, 0x0800u | described->apid, 2);
    bh_put(content + 2, 0xC000u | link->counts[packet], 2);
    bh_put(content + 4, (uint32_t)(size - 1u), 2);
    bh_put(content + HEADER_SIZE, time_ms, 4);
    size += HEADER_SIZE;
    bh_put(content + size, bh_crc16(content, size), CRC_SIZE);
    link->counts[packet] = (uint16_t)((link->counts[packet] + 1u) & 0x3FFFu);
    return bh_stuff(frame, size + CRC_SIZE);
}

size_t bh_identity_frame(bh_link *link, uint32_t time_ms, uint8_t *frame)
{
    const bh_vehicle *vehicle = link->vehicle;
    bh_identity_packet values;
    uint8_t said[SAID_SIZE];
    uint8_t tag[32];
    uint32_t refused = 0; /* stays: every member has its field's own type */
    values.wire = WIRE;
#ifdef BH_REHEARSAL
    values.build = BH_IDENTITY_BUILD_REHEARSAL;
#else
    values.build = BH_IDENTITY_BUILD_FLIGHT;
#endif
    values.vehicle = vehicle->id;
    values.dictionary_hash = BH_DICTIONARY_HASH;
    values.boot_high = upper(vehicle->boot_id);
    values.boot_low = lower(vehicle->boot_id);
    values.last_counter = vehicle->last_counter;
    values.safed_counter = vehicle->safed_counter;
    (void)bh_pack(bh_packets[BH_PACKET_IDENTITY].fields, SAID_COUNT, bh_scales, &values, said, &refused);
    make_tag(vehicle->key, "BH2 identity", time_ms, said, sizeof said, tag);
    values.tag_high = bh_get(tag, 4);
    values.tag_low = bh_get(tag + 4, 4);
    return bh_encode(link, BH_PACKET_IDENTITY, time_ms, &values, frame);
}

#if BH_HEARS

#define COMMAND_APID 0x7FDu
#define SAFE_ALL_APID 0x7FEu
#define COUNTER_SIZE 4u
#define HEAD_SIZE 21u /* boot id, dictionary, counter, valid until, code */
#define TAG_SIZE 16u
#define SAFE_ALL_CODE 0u

/* A command of the wire taken apart, its tag checked. */
typedef struct {
    uint64_t boot_id;
    uint32_t dictionary_hash;
    uint32_t counter;
    uint32_t valid_until_ms;
    uint8_t code;
    const uint8_t *args;
    size_t args_size;
} order;

static size_t answer_frame(bh_link *link, uint32_t time_ms, uint32_t boot_id, const bh_remembered *what, unsigned which,
                           uint8_t *frame)
{
    bh_answer_packet values;
    values.boot_id = boot_id;
    values.counter = what->counter;
    values.code = what->code;
    values.stage = what->stage[which];
    values.reason = what->reason[which];
    return bh_encode(link, BH_PACKET_ANSWER, time_ms, &values, frame);
}

static bh_remembered *recall(bh_vehicle *vehicle, uint32_t counter)
{
    unsigned i;
    for (i = 0; i < BH_ANSWERS_KEPT; i++) {
        if (vehicle->remembered[i].counter == counter) { /* a free place has counter 0, which no command has */
            return &vehicle->remembered[i];
        }
    }
    return NULL;
}

static void note(bh_remembered *what, uint8_t stage, uint8_t reason)
{
    if (what != NULL && what->count < BH_ANSWERS_EACH) {
        what->stage[what->count] = stage;
        what->reason[what->count] = reason;
        what->count++;
    }
}

static enum bh_heard owe(bh_link *link, uint64_t boot_id, const bh_remembered *what)
{
    link->owed = *what;
    link->owed_boot = lower(boot_id);
    link->owed_next = 0;
    return BH_ANSWERED;
}

/* Owe one refusal; `kept` is where it is remembered, NULL when it is not. */
static enum bh_heard refuse(bh_link *link, bh_remembered *kept, const order *asked, uint8_t reason)
{
    bh_remembered once;
    if (kept != NULL) {
        note(kept, BH_STAGE_REFUSED, reason);
        return owe(link, asked->boot_id, kept);
    }
    link->vehicle->frames_bad++;
    memset(&once, 0, sizeof once);
    once.counter = asked->counter;
    once.code = asked->code;
    note(&once, BH_STAGE_REFUSED, reason);
    return owe(link, asked->boot_id, &once);
}

static enum bh_heard dropped(bh_link *link)
{
#ifdef BH_REHEARSAL
    if (link->vehicle->rehearsal.on && link->wired) {
        link->vehicle->rehearsal.refused++; /* a damaged one, as like as not */
    }
#endif
    link->vehicle->frames_bad++;
    return BH_DROPPED;
}

static bool is_stored(const bh_vehicle *vehicle, uint32_t counter)
{
    return vehicle->store == NULL || vehicle->store(vehicle->user, counter);
}

/* Obey it always. What was sent before it must not come after it; that this is stored is a help, no condition. */
static enum bh_heard make_safe(bh_vehicle *vehicle, uint32_t counter, bh_command *command)
{
    vehicle->frames_good++;
    if (counter > vehicle->last_counter) {
        vehicle->last_counter = counter;
        (void)is_stored(vehicle, counter);
    }
#ifdef BH_REHEARSAL
    bh_rehearsal_end(&vehicle->rehearsal, BH_REHEARSAL_ENDED_SAFE_ALL);
#endif
    memset(command, 0, sizeof *command);
    command->counter = counter;
    command->code = SAFE_ALL_CODE;
    return BH_SAFE_ALL;
}

static uint8_t why_not(const order *asked, bool stored, uint32_t time_ms)
{
    if (asked->dictionary_hash != BH_DICTIONARY_HASH) {
        return BH_REASON_OTHER_DICTIONARY;
    }
    if ((uint32_t)(asked->valid_until_ms - time_ms) > BH_VALID_AT_MOST_MS) {
        return BH_REASON_TOO_LATE;
    }
    return stored ? BH_REASON_NONE : BH_REASON_NOT_STORED;
}

#if BH_STIMULI
/* A command of rehearsal; any other is BH_REASON_NONE here. */
static uint8_t why_not_here(bh_link *link, const bh_command *command, uint32_t time_ms)
{
    if (command->code != BH_REHEARSAL_ENTER && command->code != BH_REHEARSAL_LEAVE &&
        command->code != BH_REHEARSAL_SIMULATOR) {
        return BH_REASON_NONE;
    }
#ifdef BH_REHEARSAL
    return bh_rehearsal_order(&link->vehicle->rehearsal, link->wired, time_ms, command->counter, command->code,
                              BH_REHEARSAL_CHANNEL(command->args));
#else
    (void)link;
    (void)time_ms;
    return BH_REASON_NOT_IN_THIS_BUILD;
#endif
}
#endif

static enum bh_heard accept(bh_link *link, const order *asked, uint32_t time_ms, bh_command *command)
{
    bh_vehicle *vehicle = link->vehicle;
    bh_remembered *kept = &vehicle->remembered[vehicle->newest];
    uint8_t reason;
#if BH_COMMAND_COUNT > 0
    unsigned i;
#endif
    vehicle->newest = (uint8_t)((vehicle->newest + 1u) % BH_ANSWERS_KEPT);
    memset(kept, 0, sizeof *kept);
    kept->counter = asked->counter;
    kept->code = asked->code;
    vehicle->frames_good++;
    vehicle->last_counter = asked->counter; /* burned, whatever happens next: no frame is ever tried twice */
    reason = why_not(asked, is_stored(vehicle, asked->counter), time_ms);
    if (reason != BH_REASON_NONE) {
        return refuse(link, kept, asked, reason);
    }
#if BH_COMMAND_COUNT > 0
    for (i = 0; i < BH_COMMAND_COUNT; i++) {
        const bh_command_entry *entry = &bh_commands[i];
        if (entry->code == asked->code) {
            memset(command, 0, sizeof *command);
            if (!bh_unpack(bh_arguments + entry->first, entry->count, bh_all_limits, asked->args, asked->args_size,
                           &command->args)) {
                return refuse(link, kept, asked, BH_REASON_OUT_OF_RANGE);
            }
            command->counter = asked->counter;
            command->code = asked->code;
#if BH_STIMULI
            reason = why_not_here(link, command, time_ms);
            if (reason != BH_REASON_NONE) {
                return refuse(link, kept, asked, reason);
            }
#endif
            return BH_ORDER;
        }
    }
#else
    (void)command;
#endif
    return refuse(link, kept, asked, BH_REASON_UNKNOWN_COMMAND);
}

/* WIRE.md 8, in its order, for a command whose tag was right. */
static enum bh_heard judge(bh_link *link, const order *asked, uint32_t time_ms, bh_command *command)
{
    bh_vehicle *vehicle = link->vehicle;
    const bh_remembered *kept;
    if (asked->boot_id != vehicle->boot_id || asked->boot_id == 0u) { /* 0: cannot tell its starts apart */
        return refuse(link, NULL, asked, BH_REASON_OTHER_BOOT);
    }
    kept = recall(vehicle, asked->counter);
    if (kept != NULL) {
        return owe(link, asked->boot_id, kept);
    }
    if (asked->counter <= vehicle->last_counter) {
        return refuse(link, NULL, asked, BH_REASON_OLD_COUNTER);
    }
    return accept(link, asked, time_ms, command);
}

static bool has_our_tag(const bh_vehicle *vehicle, const char *label, const uint8_t *packet, size_t size)
{
    uint8_t tag[32];
    make_tag(vehicle->key, label, vehicle->id, packet, size, tag);
    return bh_same(tag, packet + size, TAG_SIZE);
}

static bool is_a_counter(uint32_t counter, const uint8_t *packet)
{
    return counter != 0u && (counter & 0x3FFFu) == (bh_get(packet + 2, 2) & 0x3FFFu);
}

static enum bh_heard open_frame(bh_link *link, uint32_t time_ms, bh_command *command)
{
    const uint8_t *packet = link->heard + 1;
    const uint8_t *head = packet + HEADER_SIZE;
    size_t size = bh_unstuff(link->heard, link->pending);
    bool safes;
    order asked;
#ifdef BH_REHEARSAL
    if (size != BH_BAD && size > CRC_SIZE && bh_crc16(packet, size) == 0u && bh_is_stimulus(packet, size - CRC_SIZE)) {
        bh_vehicle *vehicle = link->vehicle;
        if (bh_take_stimulus(&vehicle->rehearsal, &link->played, link->wired, vehicle->id, packet, size - CRC_SIZE)) {
            vehicle->frames_good++;
            return BH_STIMULUS;
        }
        vehicle->frames_bad++;
        return BH_DROPPED;
    }
#endif
    if (size == BH_BAD || size < HEADER_SIZE + COUNTER_SIZE + TAG_SIZE + CRC_SIZE || bh_crc16(packet, size) != 0u) {
        return dropped(link);
    }
    size -= CRC_SIZE;
    safes = bh_get(packet, 2) == (0x1000u | SAFE_ALL_APID);
    if ((!safes && bh_get(packet, 2) != (0x1000u | COMMAND_APID)) || (bh_get(packet + 2, 2) & 0xC000u) != 0xC000u ||
        bh_get(packet + 4, 2) + 1u != size - HEADER_SIZE) {
        return dropped(link);
    }
    size -= TAG_SIZE;
    if (!has_our_tag(link->vehicle, safes ? "BH2 safe all" : "BH2 command", packet, size)) {
        return dropped(link);
    }
    size -= HEADER_SIZE;
    if (safes) {
        uint32_t counter = bh_get(head, 4);
        bool whole = size == COUNTER_SIZE && is_a_counter(counter, packet);
        return whole ? make_safe(link->vehicle, counter, command) : dropped(link);
    }
    if (size < HEAD_SIZE) {
        return dropped(link);
    }
    asked.boot_id = joined(head);
    asked.dictionary_hash = bh_get(head + 8, 4);
    asked.counter = bh_get(head + 12, 4);
    asked.valid_until_ms = bh_get(head + 16, 4);
    asked.code = head[20];
    asked.args = head + HEAD_SIZE;
    asked.args_size = size - HEAD_SIZE;
    return is_a_counter(asked.counter, packet) ? judge(link, &asked, time_ms, command) : dropped(link);
}

enum bh_heard bh_receive(bh_link *link, uint8_t octet, uint32_t time_ms, bh_command *command)
{
    enum bh_heard heard = BH_NOTHING;
    if (octet != 0u) {
        if (link->pending < BH_ENCODED_MAX) {
            link->heard[link->pending] = octet;
        }
        if (link->pending <= BH_ENCODED_MAX) {
            link->pending++;
        }
        return BH_NOTHING;
    }
    if (link->pending > BH_ENCODED_MAX) {
        heard = dropped(link);
    } else if (link->pending > 0u) {
        heard = open_frame(link, time_ms, command);
    }
    link->pending = 0;
    return heard;
}

size_t bh_owed_answer(bh_link *link, uint32_t time_ms, uint8_t *frame)
{
    if (link->owed_next >= link->owed.count) {
        link->owed.count = 0;
        return 0;
    }
    link->owed_next++;
    return answer_frame(link, time_ms, link->owed_boot, &link->owed, link->owed_next - 1u, frame);
}

size_t bh_answer(bh_link *link, uint32_t time_ms, const bh_command *command, uint8_t stage, uint8_t reason,
                 uint8_t *frame)
{
    bh_vehicle *vehicle = link->vehicle;
    bh_remembered now;
    if (command->code != SAFE_ALL_CODE) {
        note(recall(vehicle, command->counter), stage, reason);
    } else if (stage == BH_STAGE_COMPLETED) {
        vehicle->safed_counter = command->counter;
    }
    memset(&now, 0, sizeof now);
    now.counter = command->counter;
    now.code = command->code;
    note(&now, stage, reason);
    return answer_frame(link, time_ms, lower(vehicle->boot_id), &now, 0, frame);
}

#endif
