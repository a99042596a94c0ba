#include "bh_starts.h"

#include "bh_wire.h"

#define RECORD_SIZE 8u
#define NOWHERE 0xFFFFFFFFu

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

/* Write into the first place of [at, end) that takes it; return where, or NOWHERE. */
static uint32_t append(const bh_flash *flash, uint32_t at, uint32_t end, uint32_t count)
{
    uint8_t record[RECORD_SIZE];
    uint32_t kept = 0;
    bh_put(record, count, 4);
    bh_put(record + 4, ~count, 4);
    for (; at < end; at += RECORD_SIZE) {
        if (look(flash, at, &kept) == ERASED && flash->program(flash->user, at, record, sizeof record) &&
            look(flash, at, &kept) == WHOLE && kept == count) {
            return at;
        }
    }
    return NOWHERE;
}

/* Write behind `at`, into the other page when this one is full. */
static uint32_t keep(const bh_flash *flash, uint32_t at, uint32_t count)
{
    uint32_t page = flash->page;
    uint32_t other = at < page ? page : 0u;
    uint32_t place = append(flash, at + RECORD_SIZE, at < page ? page : 2u * page, count);
    if (place == NOWHERE && flash->erase(flash->user, other)) {
        place = append(flash, other, other + page, count);
    }
    return place;
}

/* Of two records of one count, found in this order: the second began a page, or stands behind the first. */
static bool is_second(uint32_t page, uint32_t one, uint32_t other)
{
    return (one < page) == (other < page) || other % page < one % page;
}

bool bh_flash_count(void *flash_memory, uint32_t *starts)
{
    const bh_flash *flash = (const bh_flash *)flash_memory;
    uint32_t size = 2u * flash->page;
    uint32_t newest = size - RECORD_SIZE; /* without a record: the first page is erased and begun */
    uint32_t unreadable = 0;
    uint32_t last = 0;
    uint32_t at;
    for (at = 0; at < size; at += RECORD_SIZE) {
        uint32_t count = 0;
        enum state state = look(flash, at, &count);
        if (state == WHOLE && (count > last || (count == last && is_second(flash->page, newest, at)))) {
            last = count;
            newest = at;
        }
        unreadable += state == UNREADABLE ? 1u : 0u;
    }
    if (last >= 0xFFFFFFFEu || (last == 0u && unreadable >= flash->page / RECORD_SIZE)) {
        return false; /* a memory that cannot be read now may hold any count: erase nothing */
    }
    *starts = last + 1u;
    at = keep(flash, newest, *starts);
    return at != NOWHERE && keep(flash, at, *starts) != NOWHERE; /* twice, so that none is lost when one spoils */
}
