/* Starts of a board whose flash memory loses power in the middle of what it does: `starts SEED STARTS MODE`.
 *
 * MODE: `sound` no cuts; `torn` power fails while a record is written or a page erased, anywhere, leaving any of the
 * bits concerned as they were; `ecc` the same in a memory that reports such a record as unreadable; `rot` also a whole
 * record of an earlier start becomes unreadable now and then; `dead` programming fails; `mute` it fails and
 * says that it did not. Each start counts up as a vehicle would. Ends with 1 when a count comes again or falls. Prints: starts that got a count, cuts, erasures of the
 * page erased most, the last count. */
#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "bh_link.h"
#include "bh_starts.h"

#define PAGE 64u

static uint8_t memory[2u * PAGE];
static bool unreadable[2u * PAGE / 8u];
static unsigned long erased[2], cuts;
static uint64_t state;
static bool tears, reports, dead, mute;
static jmp_buf off;

/* Marsaglia's xorshift64* generator (Journal of Statistical Software 8(14), 2003; the multiplier from memory). */
static uint32_t any(uint32_t below)
{
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return (uint32_t)((state * 2685821657736338717u) >> 33) % below;
}

static bool reads(void *user, uint32_t at, uint8_t *data, uint32_t size)
{
    (void)user;
    memcpy(data, memory + at, size);
    return !unreadable[at / 8u];
}

static bool programs(void *user, uint32_t at, const uint8_t *data, uint32_t size)
{
    bool cut = tears && any(6) == 0u;
    uint32_t i;
    (void)user;
    for (i = 0; i < size && !dead; i++) {
        uint8_t left = cut ? (uint8_t)any(256) : 0u; /* bits that power did not last for stay erased */
        memory[at + i] = (uint8_t)(memory[at + i] & (data[i] | left));
    }
    if (cut) {
        cuts++;
        unreadable[at / 8u] = reports && any(4) != 0u;
        longjmp(off, 1);
    }
    return mute || !dead;
}

static bool erases(void *user, uint32_t at)
{
    bool cut = tears && any(4) == 0u;
    uint32_t i;
    (void)user;
    erased[at / PAGE]++;
    for (i = 0; i < PAGE; i++) {
        memory[at + i] = (uint8_t)(memory[at + i] | (cut ? any(256) : 0xFFu));
    }
    for (i = 0; i < PAGE / 8u; i++) {
        unreadable[at / 8u + i] = cut && reports && any(3) == 0u;
    }
    if (cut) {
        cuts++;
        longjmp(off, 1);
    }
    return true;
}

int main(int words, char **word)
{
    static bh_flash flash = {reads, programs, erases, NULL, PAGE};
    static volatile uint32_t last, got;
    static volatile unsigned long start;
    static uint8_t key[BH_KEY_SIZE];
    static bool fresh;
    bool rots;
    unsigned long wanted;
    if (words != 4) {
        return 2;
    }
    state = strtoull(word[1], NULL, 10) * 2u + 1u;
    wanted = strtoul(word[2], NULL, 10);
    rots = strcmp(word[3], "rot") == 0;
    reports = rots || strcmp(word[3], "ecc") == 0;
    tears = reports || strcmp(word[3], "torn") == 0;
    mute = strcmp(word[3], "mute") == 0;
    dead = mute || strcmp(word[3], "dead") == 0;
    memset(memory, 0xFF, sizeof memory);
    if (strcmp(word[3], "old") == 0) { /* what was in the flash before: no count of starts */
        memset(memory, 0x5A, sizeof memory);
    }
    for (start = 0; start < wanted; start++) {
        uint32_t count = 0;
        if (setjmp(off) != 0) {
            continue; /* the next start */
        }
        if (rots && fresh && any(50) == 0u) {
            unreadable[any(2u * PAGE / 8u)] = true;
            fresh = false;
        }
        if (bh_flash_count(&flash, &count)) {
            if (count <= last) {
                printf("%lu came again after %lu\n", (unsigned long)count, (unsigned long)last);
                return 1;
            }
            last = count;
            got++;
            fresh = got > 100u; /* the one that spoils is not the second of the last two */
        } else if (bh_count_boot_id(key, bh_flash_count, &flash, NULL, 0) != 0u && dead) {
            return 1;
        }
    }
    printf("%lu %lu %lu %lu\n", (unsigned long)got, cuts, erased[0] > erased[1] ? erased[0] : erased[1],
           (unsigned long)last);
    return 0;
}
