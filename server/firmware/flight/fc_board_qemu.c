/* The flight computer on an emulated board: a Cortex-M4 with its single-precision unit, machine mps2-an386 of
 * qemu-system-arm. Its serial port is the wired link:
 *
 *     qemu-system-arm -M mps2-an386 -display none -monitor none -serial tcp:127.0.0.1:PORT,server=on,nodelay=on \
 *         -semihosting-config enable=on,target=native -kernel fc_board.elf
 *
 * Read through the debugger's calls (semihosting), from the folder qemu runs in: `fc.key`, the command key in hexadecimal;
 * `fc.starts`, the count of starts, made when missing; a real board has both in its flash memory (bh_starts.h). An access
 * at an odd place and a whole number divided by zero stop it, as they may on the board you have; it says so and ends. */
#include "../bh_feed.h"
#include "fc.h"
#include "fc_numbers.h"

#include <string.h>

#define REGISTER(at) (*(volatile uint32_t *)(at))
#define UART_DATA REGISTER(0x40004000u)
#define UART_STATE REGISTER(0x40004004u)
#define UART_CONTROL REGISTER(0x40004008u)
#define UART_INTERRUPTS REGISTER(0x4000400Cu)
#define UART_DIVIDER REGISTER(0x40004010u)
#define SYSTICK_CONTROL REGISTER(0xE000E010u)
#define SYSTICK_RELOAD REGISTER(0xE000E014u)
#define SYSTICK_NOW REGISTER(0xE000E018u)
#define INTERRUPTS_ON REGISTER(0xE000E100u)
#define TRAPS REGISTER(0xE000ED14u)
#define COPROCESSORS REGISTER(0xE000ED88u)
#define CLOCK_MHZ 25u
#define TICK (1000u * CLOCK_MHZ)

extern uint32_t data_begin, data_end, data_from, bss_begin, bss_end, stack_top;

static bh_ring heard;
static volatile uint32_t ticks_ms;

/* ---------------------------------------------------------------- the debugger's calls */

enum { SYS_OPEN = 1, SYS_CLOSE = 2, SYS_WRITE0 = 4, SYS_WRITE = 5, SYS_READ = 6, SYS_EXIT = 0x18 };

static int32_t ask_debugger(uint32_t what, const void *with)
{
    register uint32_t r0 __asm__("r0") = what;
    register const void *r1 __asm__("r1") = with;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
    return (int32_t)r0;
}

static void stop(const char *why)
{
    (void)ask_debugger(SYS_WRITE0, why);
    (void)ask_debugger(SYS_EXIT, (const void *)0x20023); /* a run-time error */
    for (;;) {
    }
}

/* Open a file (mode 0 reads, 4 writes anew), move at most `size` bytes, close it; returns how many, -1 for no file. */
static int32_t use_file(const char *path, uint32_t mode, char *data, uint32_t size)
{
    uint32_t open[3] = {(uint32_t)(uintptr_t)path, mode, (uint32_t)strlen(path)};
    int32_t file = ask_debugger(SYS_OPEN, open);
    uint32_t move[3] = {(uint32_t)file, (uint32_t)(uintptr_t)data, size};
    int32_t left;
    if (file < 0) {
        return -1;
    }
    left = ask_debugger(mode == 0u ? SYS_READ : SYS_WRITE, move); /* how many were not moved */
    (void)ask_debugger(SYS_CLOSE, move);
    return (int32_t)size - left;
}

static int digit(char c)
{
    return c >= '0' && c <= '9' ? c - '0' : c >= 'a' && c <= 'f' ? c - 'a' + 10 : c >= 'A' && c <= 'F' ? c - 'A' + 10 : -1;
}

static bool read_key(uint8_t key[BH_KEY_SIZE])
{
    char text[2u * BH_KEY_SIZE];
    unsigned i;
    if (use_file("fc.key", 0, text, sizeof text) != (int32_t)sizeof text) {
        return false;
    }
    for (i = 0; i < BH_KEY_SIZE; i++) {
        int high = digit(text[2u * i]), low = digit(text[2u * i + 1u]);
        if (high < 0 || low < 0) {
            return false;
        }
        key[i] = (uint8_t)(16 * high + low);
    }
    return true;
}

/* A bh_count_start: eight hexadecimal digits in a file. */
static bool count_start(void *user, uint32_t *starts)
{
    char text[8];
    uint32_t count = 0;
    int32_t size = use_file("fc.starts", 0, text, sizeof text);
    unsigned i;
    (void)user;
    for (i = 0; i < sizeof text && size >= 0; i++) {
        if (size != (int32_t)sizeof text || digit(text[i]) < 0) {
            return false;
        }
        count = 16u * count + (uint32_t)digit(text[i]);
    }
    if (count == 0xFFFFFFFFu) {
        return false;
    }
    *starts = count + 1u;
    for (i = 0; i < sizeof text; i++) {
        text[i] = "0123456789abcdef"[(*starts >> (28u - 4u * i)) & 15u];
    }
    return use_file("fc.starts", 4, text, sizeof text) == (int32_t)sizeof text;
}

/* ---------------------------------------------------------------- the port */

/* In place of the C library's, which reads words at odd places where the processor, untrapped, would let it. */
void *memcpy(void *restrict to, const void *restrict from, size_t size)
{
    size_t i;
    for (i = 0; i < size; i++) {
        ((uint8_t *)to)[i] = ((const uint8_t *)from)[i];
        __asm__ volatile("" ::: "memory"); /* or the compiler sees a memcpy in it */
    }
    return to;
}

static void tick(void)
{
    ticks_ms = ticks_ms + 1u;
}

uint32_t fc_port_ms(void)
{
    return ticks_ms;
}

/* A tick that is due and not yet counted shows as a step back, which no clock takes. */
uint32_t fc_port_us(void)
{
    static uint32_t newest_us;
    uint32_t ms, us;
    do {
        ms = ticks_ms;
        us = 1000u * ms + (TICK - 1u - SYSTICK_NOW) / CLOCK_MHZ;
    } while (ms != ticks_ms);
    if ((int32_t)(us - newest_us) > 0) {
        newest_us = us;
    }
    return newest_us;
}

void fc_port_send(const uint8_t *data, size_t size)
{
    size_t i;
    for (i = 0; i < size; i++) {
        while ((UART_STATE & 1u) != 0u) { /* the last one has not left */
        }
        UART_DATA = data[i];
    }
}

/* No sensor is emulated: it lies on a bench. */
void fc_port_sensors(fc_sensors *sensors)
{
    memset(sensors, 0, sizeof *sensors);
    sensors->accel_a[2] = sensors->accel_b[2] = FC_GRAVITY_M_S2;
    sensors->pressure_pa = 94080.0F;
    sensors->battery_v = 8.1F;
}

uint32_t fc_port_continuity(void)
{
    return 0; /* nothing can be connected */
}

void fc_port_fire(unsigned channel)
{
    (void)channel;
}

void fc_port_fins(const float angle_rad[FC_FINS])
{
    (void)angle_rad;
}

/* ---------------------------------------------------------------- interrupts and the start */

static void hear(void)
{
    UART_INTERRUPTS = 2u;
    while ((UART_STATE & 2u) != 0u) {
        bh_ring_put(&heard, (uint8_t)UART_DATA);
    }
}

static void fault(void)
{
    stop("fault: an access at a place it may not be, or a division by zero\n");
}

static void ignore(void)
{
}

static void run(void)
{
    static fc_computer computer;
    static uint8_t key[BH_KEY_SIZE];
    if (!read_key(key)) {
        stop("no key: fc.key with 64 hexadecimal digits is needed\n");
    }
    fc_begin(&computer, key, BH_VEHICLE_ID, bh_count_boot_id(key, count_start, NULL, NULL, 0));
    for (;;) {
        uint8_t octets[128];
        size_t size = 0;
        while (size < sizeof octets && bh_ring_take(&heard, &octets[size])) {
            size++;
        }
        fc_turn_of_loop(&computer, octets, size);
        __asm__ volatile("cpsid i" ::: "memory");
        if (heard.read == heard.written) {
            __asm__ volatile("wfi"); /* until a byte or the next tick; what came meanwhile is pending, and wakes it */
        }
        __asm__ volatile("cpsie i" ::: "memory");
    }
}

void begin(void)
{
    uint32_t *from = &data_from;
    uint32_t *to;
    for (to = &data_begin; to < &data_end; to++) {
        *to = *from++;
    }
    for (to = &bss_begin; to < &bss_end; to++) {
        *to = 0;
    }
    COPROCESSORS |= 0xF00000u; /* the floating-point unit */
    TRAPS |= 0x18u;            /* unaligned access, division by zero */
    __asm__ volatile("dsb\n isb" ::: "memory");
    SYSTICK_RELOAD = TICK - 1u;
    SYSTICK_NOW = 0;
    SYSTICK_CONTROL = 7u;
    UART_DIVIDER = 16u; /* as fast as it goes; qemu sends at once */
    UART_CONTROL = 1u | 2u | 8u;
    INTERRUPTS_ON = 1u;
    run();
}

__attribute__((section(".vectors"), used)) static void (*const vectors[17])(void) = {
    (void (*)(void)) & stack_top, begin, fault, fault, fault, fault, fault, 0, 0, 0, 0, ignore, ignore, 0, ignore, tick, hear,
};
