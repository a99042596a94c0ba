/* A vehicle that keeps its counter: `store FRAMES FAIL_AT`; FRAMES as in fuzz.c. Prints one letter per frame (O order,
 * S Safe all, A answered, D dropped) and, after a colon, what was stored. The store fails for the counter FAIL_AT. */
#include <stdio.h>
#include <stdlib.h>

#include "blockhouse.h"

typedef struct {
    uint32_t kept[64];
    unsigned count;
    uint32_t fail_at;
} memory;

static bool keep(void *user, uint32_t counter)
{
    memory *m = (memory *)user;
    if (counter == m->fail_at) {
        return false;
    }
    m->kept[m->count++] = counter;
    return true;
}

int main(int words, char **word)
{
    static bh_vehicle vehicle;
    static bh_link radio;
    static memory m;
    uint8_t key[BH_KEY_SIZE], head[2], frame[BH_FRAME_MAX];
    bh_command command;
    FILE *file = words == 3 ? fopen(word[1], "rb") : NULL;
    unsigned i;
    if (file == NULL) {
        return 2;
    }
    m.fail_at = (uint32_t)strtoul(word[2], NULL, 10);
    for (i = 0; i < BH_KEY_SIZE; i++) {
        key[i] = (uint8_t)i;
    }
    bh_begin(&vehicle, key, BH_VEHICLE_ID, 5, 2, keep, &m); /* counters up to 2 were stored before this start */
    bh_begin_link(&radio, &vehicle);
    while (fread(head, 1, 2, file) == 2u) {
        size_t size = bh_get(head, 2);
        enum bh_heard heard = BH_NOTHING;
        size_t k;
        if (size > sizeof frame || fread(frame, 1, size, file) != size) {
            return 2;
        }
        for (k = 0; k < size; k++) {
            enum bh_heard now = bh_receive(&radio, frame[k], 0, &command);
            heard = now != BH_NOTHING ? now : heard;
        }
        putchar(heard == BH_ORDER ? 'O' : heard == BH_SAFE_ALL ? 'S' : heard == BH_ANSWERED ? 'A' : 'D');
        if (heard == BH_ANSWERED) {
            while ((size = bh_owed_answer(&radio, 0, frame)) > 0u) {
                printf("(%u)", (unsigned)size);
            }
        }
    }
    putchar(':');
    for (i = 0; i < m.count; i++) {
        printf(" %lu", (unsigned long)m.kept[i]);
    }
    putchar('\n');
    fclose(file);
    return 0;
}
