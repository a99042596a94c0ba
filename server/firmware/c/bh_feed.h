/* Between an interrupt or a DMA controller and the loop: received bytes in a ring or in two halves, and a clock of
 * microseconds made one of milliseconds. GUIDE.md shows where each belongs.
 *
 * One writer (the interrupt), one reader (the loop), one processor core: all that both touch is volatile, each index has one
 * owner, and nothing is locked. Two cores need barriers and are not served. */
#ifndef BH_FEED_H
#define BH_FEED_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifndef BH_RING_SIZE
#define BH_RING_SIZE 256u /* a power of two, at most 32768; what comes in during the longest turn of the loop */
#endif
#ifndef BH_HALF_SIZE
#define BH_HALF_SIZE 64u
#endif
#if (BH_RING_SIZE & (BH_RING_SIZE - 1u)) != 0 || BH_RING_SIZE > 32768
#error "Blockhouse: BH_RING_SIZE must be a power of two, at most 32768"
#endif

/* ---------------------------------------------------------------- a ring, filled a byte an interrupt */

typedef struct {
    volatile uint16_t written; /* the interrupt's */
    volatile uint16_t read;    /* the loop's */
    volatile uint32_t lost;    /* the interrupt's: bytes that found no room */
    volatile uint8_t octets[BH_RING_SIZE];
} bh_ring;

/* In the interrupt. */
static inline void bh_ring_put(bh_ring *ring, uint8_t octet)
{
    uint16_t written = ring->written;
    if ((uint16_t)(written - ring->read) >= BH_RING_SIZE) {
        ring->lost = ring->lost + 1u; /* the frame it belonged to fails its checksum */
        return;
    }
    ring->octets[written & (BH_RING_SIZE - 1u)] = octet;
    ring->written = (uint16_t)(written + 1u); /* last: now the loop may look */
}

/* In the loop. False when there is nothing. */
static inline bool bh_ring_take(bh_ring *ring, uint8_t *octet)
{
    uint16_t read = ring->read;
    if (read == ring->written) {
        return false;
    }
    *octet = ring->octets[read & (BH_RING_SIZE - 1u)];
    ring->read = (uint16_t)(read + 1u); /* last: now the interrupt may write there */
    return true;
}

/* ---------------------------------------------------------------- two halves, filled by DMA in a circle */

typedef struct {
    volatile uint32_t filled; /* the interrupt's: halves filled since the start */
    uint32_t taken;           /* the loop's */
    uint32_t lost;            /* the loop's: halves written over before or while they were read */
    volatile uint8_t octets[2][BH_HALF_SIZE]; /* the controller's, by turns; behind no data cache, or invalidate it first */
} bh_halves;

/* In the half-complete and in the complete interrupt. */
static inline void bh_halves_filled(bh_halves *halves)
{
    halves->filled = halves->filled + 1u;
}

/* In the loop: copy the oldest half that is filled to `out` (BH_HALF_SIZE bytes). False when there is none. */
static inline bool bh_halves_take(bh_halves *halves, uint8_t *out)
{
    size_t i;
    uint32_t filled = halves->filled;
    if (filled == halves->taken) {
        return false;
    }
    if (filled - halves->taken > 1u) { /* the controller is writing over the older ones */
        halves->lost += filled - halves->taken - 1u;
        halves->taken = filled - 1u;
    }
    for (i = 0; i < BH_HALF_SIZE; i++) {
        out[i] = halves->octets[halves->taken & 1u][i];
    }
    halves->taken++;
    if (halves->filled - halves->taken >= 1u) { /* it came round meanwhile: what was copied may be of two turns */
        halves->lost++;
        return false;
    }
    return true;
}

/* ---------------------------------------------------------------- a clock of microseconds */

/* A 32-bit count of microseconds begins anew after 71 minutes, and divided by a thousand it wraps where the wire does not:
 * the ground would take it for a restart. This one goes on; ask it at least once an hour. Begin with zeros. */
typedef struct {
    uint32_t newest_us;
    uint32_t rest_us;
    uint32_t ms;
} bh_clock;

static inline uint32_t bh_clock_ms(bh_clock *clock, uint32_t now_us)
{
    uint32_t passed = now_us - clock->newest_us;
    clock->newest_us = now_us;
    clock->ms += passed / 1000u;
    clock->rest_us += passed % 1000u;
    if (clock->rest_us >= 1000u) {
        clock->rest_us -= 1000u;
        clock->ms++;
    }
    return clock->ms;
}

#endif
