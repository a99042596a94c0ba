/* bh_feed.h with a timer's signal for an interrupt: it comes between any two instructions of the loop, as on a board. */
#include "bh_feed.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/time.h>

static bh_ring ring;
static bh_halves halves;
static volatile uint32_t put, turn;

static void interrupt(int signal)
{
    unsigned i;
    (void)signal;
    for (i = 0; i < 40u; i++) {
        uint32_t before = ring.lost;
        bh_ring_put(&ring, (uint8_t)put);
        if (ring.lost == before) {
            put = put + 1u;
        }
    }
    for (i = 0; i < BH_HALF_SIZE; i++) {
        halves.octets[turn & 1u][i] = (uint8_t)turn;
    }
    turn = turn + 1u;
    bh_halves_filled(&halves);
}

static int clocks(void)
{
    bh_clock clock = {0, 0, 0};
    uint64_t us = 0;
    while (us < 20000000000ull) {
        us += (uint64_t)rand() % 900000u;
        if (bh_clock_ms(&clock, (uint32_t)us) != (uint32_t)(us / 1000u)) {
            return 1;
        }
    }
    return 0;
}

int main(int count, char **words)
{
    struct itimerval often = {{0, 200}, {0, 200}};
    uint32_t wanted = (uint32_t)strtoul(count > 1 ? words[1] : "1", NULL, 10);
    uint32_t taken = 0, whole = 0, torn = 0, turns = 0;
    uint8_t octet, octets[BH_HALF_SIZE];
    volatile uint32_t slow;
    if (clocks() != 0) {
        puts("clock");
        return 1;
    }
    signal(SIGALRM, interrupt);
    setitimer(ITIMER_REAL, &often, NULL);
    while (taken < wanted) {
        while (bh_ring_take(&ring, &octet)) {
            if (octet != (uint8_t)taken++) {
                puts("order");
                return 1;
            }
        }
        if (bh_halves_take(&halves, octets)) {
            unsigned i;
            whole++;
            for (i = 1; i < BH_HALF_SIZE; i++) {
                torn += octets[i] != octets[0];
            }
        }
        turns++; /* now and then a turn so long that interrupts find no room */
        for (slow = turns % 5000u == 0u ? 5000000u : 100u; slow > 0u; slow--) {
        }
    }
    signal(SIGALRM, SIG_IGN);
    printf("%u %u %u %u\n", (unsigned)taken, (unsigned)ring.lost, (unsigned)whole, (unsigned)torn);
    return halves.taken == whole + halves.lost ? 0 : 2;
}
