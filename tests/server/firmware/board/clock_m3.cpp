/* Time on the emulated Cortex-M3 board mps2-an385: its 25 MHz timer, which follows the instructions carried out (-icount). */
#include "board.h"

static volatile uint32_t *const timer = (volatile uint32_t *)0x40000000u; /* control, value, reload */

uint64_t board_ns()
{
    static bool running;
    if (!running) {
        running = true;
        timer[2] = 0xFFFFFFFFu;
        timer[1] = 0xFFFFFFFFu;
        timer[0] = 1u;
    }
    return (uint64_t)(0xFFFFFFFFu - timer[1]) * 40u; /* wraps after 171 s, no run is that long */
}

void board_wait(uint64_t till_ns)
{
    while (board_ns() < till_ns) {
    }
}
