#include "bh_starts.h"

#include "bh_wire.h"

#define RECORD_SIZE 8u

enum state { ERASED, WHOLE, TORN, UNREADABLE };

static enum state look(const bh_flash *flash, uint32_t at, uint32_t *count)
{
    uint8_t record[RECORD_SIZE];
    uint32_t value, complement;
    if (!flash->read(flash->user, at, record, sizeof record)) {
        return UNREADABLE;
    }
    value = bh_get(record, 4);
    complement = bh_get(record + 4, 4);
    if (value == 0xFFFFFFFFu && complement == 0xFFFFFFFFu) {
        return ERASED;
    }
    *count = value;
    return (value ^ complement) == 0xFFFFFFFFu ? WHOLE : TORN;
}

/* Write into the first place of [at, end) that takes it. */
static bool append(const bh_flash *flash, uint32_t at, uint32_t end, uint32_t count)
{
    uint8_t record[RECORD_SIZE];
    uint32_t kept = 0;
    bh_put(record, count, 4);
    bh_put(record + 4, ~count, 4);
    for (; at < end; at += RECORD_SIZE) {
        if (look(flash, at, &kept) == ERASED && flash->program(flash->user, at, record, sizeof record) &&
            look(flash, at, &kept) == WHOLE && kept == count) {
            return true;
        }
    }
    return false;
}

bool bh_flash_count(void *flash_memory, uint32_t *starts)
{
    const bh_flash *flash = (const bh_flash *)flash_memory;
    uint32_t page = flash->page;
    uint32_t last = 0; /* 0: there is no record yet */
    uint32_t found = 0;
    uint32_t spoiled = 0;
    uint32_t unreadable = 0;
    uint32_t at, other;
    for (at = 0; at < 2u * page; at += RECORD_SIZE) {
        uint32_t count = 0;
        enum state state = look(flash, at, &count);
        if (state == WHOLE && count > last) {
            last = count;
            found = at;
        }
        spoiled += state == TORN || state == UNREADABLE ? 1u : 0u;
        unreadable += state == UNREADABLE ? 1u : 0u;
    }
    if (last >= 0xFFFFFFFEu - spoiled || (last == 0u && unreadable >= page / RECORD_SIZE)) {
        return false; /* a memory that cannot be read now may hold any count: erase nothing */
    }
    *starts = last + 1u + spoiled; /* each of the spoiled may have been whole once, and its count used */
    if (last != 0u && append(flash, found + RECORD_SIZE, found < page ? page : 2u * page, *starts)) {
        return true;
    }
    other = last != 0u && found < page ? page : 0u;
    return flash->erase(flash->user, other) && append(flash, other, other + page, *starts);
}
