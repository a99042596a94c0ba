/* The vector table of the emulated board; the C library's own start-up does the rest. */
extern void _start(void);
extern unsigned char board_stack_top;

static void stop(void)
{
    for (;;) {
    }
}

__attribute__((section(".vectors"), used)) static void (*const vectors[])(void) = {
    (void (*)(void))&board_stack_top, _start, stop, stop, stop, stop, stop,
};
