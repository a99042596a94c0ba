#include "bh_link.h"

#include <string.h>

#define HEADER_SIZE 6u
#define TIME_SIZE 4u
#define CRC_SIZE 2u

void bh_begin(bh_link *link, const uint8_t *key, uint16_t boot_id, uint32_t last_counter, bh_store store, void *user)
{
    memset(link, 0, sizeof *link);
    link->key = key;
    link->boot_id = boot_id;
    link->last_counter = last_counter;
#if BH_COMMAND_COUNT > 0
    link->store = store;
    link->user = user;
#else
    (void)store;
    (void)user;
#endif
}

size_t bh_encode(bh_link *link, unsigned packet, uint32_t time_ms, const void *values, uint8_t *frame)
{
    const bh_packet *described = &bh_packets[packet];
    uint8_t *content = frame + 1;
    size_t size = bh_pack(described->fields, described->count, bh_scales, values, content + HEADER_SIZE + TIME_SIZE);
    if (size == BH_BAD) {
        return 0;
    }
    size += TIME_SIZE;
    bh_put(content, 0x0800u | described->apid, 2);
    bh_put(content + 2, 0xC000u | link->counts[packet], 2);
    bh_put(content + 4, (uint32_t)(size - 1u), 2);
    bh_put(content + HEADER_SIZE, time_ms, 4);
    size += HEADER_SIZE;
    bh_put(content + size, bh_crc16(content, size), CRC_SIZE);
    link->counts[packet] = (uint16_t)((link->counts[packet] + 1u) & 0x3FFFu);
    return bh_stuff(frame, size + CRC_SIZE);
}

#if BH_COMMAND_COUNT > 0

#define HEAD_SIZE 7u /* boot id, counter, code */
#define TAG_SIZE 16u

static size_t answer_frame(bh_link *link, uint32_t time_ms, uint16_t boot_id, const bh_remembered *what, unsigned which,
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

static bh_remembered *recall(bh_link *link, uint32_t counter)
{
    unsigned i;
    for (i = 0; i < BH_ANSWERS_KEPT; i++) {
        if (link->remembered[i].counter == counter) { /* a free place has counter 0, which no command has */
            return &link->remembered[i];
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

/* Owe one refusal; `kept` is where it is remembered, NULL when it is not. */
static enum bh_heard refuse(bh_link *link, bh_remembered *kept, uint16_t boot_id, uint32_t counter, uint8_t code,
                            uint8_t reason)
{
    bh_owed *owed = &link->owed;
    note(kept, BH_STAGE_REFUSED, reason);
    owed->what.counter = counter;
    owed->what.code = code;
    owed->what.count = 0;
    note(&owed->what, BH_STAGE_REFUSED, reason);
    owed->boot_id = boot_id;
    owed->next = 0;
    return BH_ANSWERED;
}

static enum bh_heard dropped(bh_link *link)
{
    link->frames_bad++;
    return BH_DROPPED;
}

static enum bh_heard accept(bh_link *link, uint32_t counter, uint8_t code, const uint8_t *args, size_t size,
                            bh_command *command)
{
    bh_remembered *kept = &link->remembered[link->newest];
    unsigned i;
    bool stored;
    link->newest = (uint8_t)((link->newest + 1u) % BH_ANSWERS_KEPT);
    memset(kept, 0, sizeof *kept);
    kept->counter = counter;
    kept->code = code;
    link->frames_good++;
    link->last_counter = counter; /* burned, whatever happens next: no frame is ever tried twice */
    stored = link->store == NULL || link->store(link->user, counter);
    if (!stored) {
        return refuse(link, kept, link->boot_id, counter, code, BH_REASON_NONE);
    }
    for (i = 0; i < BH_COMMAND_COUNT; i++) {
        const bh_command_entry *entry = &bh_commands[i];
        if (entry->code == code) {
            memset(command, 0, sizeof *command);
            if (!bh_unpack(bh_arguments + entry->first, entry->count, bh_all_limits, args, size, &command->args)) {
                return refuse(link, kept, link->boot_id, counter, code, BH_REASON_OUT_OF_RANGE);
            }
            command->counter = counter;
            command->code = code;
            return BH_ORDER;
        }
    }
    return refuse(link, kept, link->boot_id, counter, code, BH_REASON_UNKNOWN_COMMAND);
}

/* WIRE.md 8, in its order. */
static enum bh_heard judge(bh_link *link, bh_command *command)
{
    const uint8_t *packet = link->heard + 1;
    size_t size = bh_unstuff(link->heard, link->pending);
    uint8_t tag[32];
    const uint8_t *head = packet + HEADER_SIZE;
    uint16_t boot_id;
    uint32_t counter;
    uint8_t code;
    bh_remembered *kept;
    if (size == BH_BAD || size < HEADER_SIZE + HEAD_SIZE + TAG_SIZE + CRC_SIZE || bh_crc16(packet, size) != 0u) {
        return dropped(link);
    }
    size -= CRC_SIZE;
    if (bh_get(packet, 2) != (0x1000u | BH_UPLINK_APID) || (bh_get(packet + 2, 2) & 0xC000u) != 0xC000u ||
        bh_get(packet + 4, 2) + 1u != size - HEADER_SIZE) {
        return dropped(link);
    }
    size -= TAG_SIZE;
    bh_hmac_sha256(link->key, BH_KEY_SIZE, packet, size, tag);
    if (!bh_same(tag, packet + size, TAG_SIZE)) {
        return dropped(link);
    }
    boot_id = (uint16_t)bh_get(head, 2);
    counter = bh_get(head + 2, 4);
    code = head[6];
    if (counter == 0u || (counter & 0x3FFFu) != (bh_get(packet + 2, 2) & 0x3FFFu)) {
        return dropped(link);
    }
    if (boot_id != link->boot_id) {
        link->frames_bad++;
        return refuse(link, NULL, boot_id, counter, code, BH_REASON_OTHER_BOOT);
    }
    kept = recall(link, counter);
    if (kept != NULL) {
        link->owed.what = *kept;
        link->owed.boot_id = boot_id;
        link->owed.next = 0;
        return BH_ANSWERED;
    }
    if (counter <= link->last_counter) {
        link->frames_bad++;
        return refuse(link, NULL, boot_id, counter, code, BH_REASON_OLD_COUNTER);
    }
    return accept(link, counter, code, head + HEAD_SIZE, size - HEADER_SIZE - HEAD_SIZE, command);
}

enum bh_heard bh_receive(bh_link *link, uint8_t octet, bh_command *command)
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
        heard = judge(link, command);
    }
    link->pending = 0;
    return heard;
}

size_t bh_owed_answer(bh_link *link, uint32_t time_ms, uint8_t *frame)
{
    bh_owed *owed = &link->owed;
    if (owed->next >= owed->what.count) {
        owed->what.count = 0;
        return 0;
    }
    owed->next++;
    return answer_frame(link, time_ms, owed->boot_id, &owed->what, owed->next - 1u, frame);
}

size_t bh_answer(bh_link *link, uint32_t time_ms, const bh_command *command, uint8_t stage, uint8_t reason,
                 uint8_t *frame)
{
    bh_remembered now;
    note(recall(link, command->counter), stage, reason);
    memset(&now, 0, sizeof now);
    now.counter = command->counter;
    now.code = command->code;
    note(&now, stage, reason);
    return answer_frame(link, time_ms, link->boot_id, &now, 0, frame);
}

#endif
