/* The flight computer behind a pipe: standard input and output are its wired link. Nothing in it can fire anything.
 *
 *     fc_host KEY_FILE STARTS_FILE [VEHICLE_ID [CONTINUITY_FILE]]
 *
 * KEY_FILE holds the command key in hexadecimal, as the station keeps it; STARTS_FILE holds the count of starts and is made
 * when missing. CONTINUITY_FILE holds a number, a bit a channel with the laterals first: what the continuity circuits
 * would measure, looked at ten times a second; without it nothing is connected. Its sensors lie still on a bench. */
#define _POSIX_C_SOURCE 200809L

#include "../host/host_files.h"
#include "fc.h"
#include "fc_numbers.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static const char *continuity_path;
static uint32_t continuity;

uint32_t fc_port_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint32_t)((uint64_t)now.tv_sec * 1000000u + (uint64_t)now.tv_nsec / 1000u);
}

uint32_t fc_port_ms(void)
{
    static int64_t begun_ms = -1;
    struct timespec now;
    int64_t ms;
    clock_gettime(CLOCK_MONOTONIC, &now);
    ms = (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
    if (begun_ms < 0) {
        begun_ms = ms;
    }
    return (uint32_t)(ms - begun_ms);
}

void fc_port_send(const uint8_t *data, size_t size)
{
    while (size > 0u) {
        ssize_t sent = write(STDOUT_FILENO, data, size);
        if (sent < 0 && errno != EINTR) {
            exit(0); /* the other end is gone */
        }
        if (sent > 0) {
            data += sent;
            size -= (size_t)sent;
        }
    }
}

void fc_port_sensors(fc_sensors *sensors)
{
    memset(sensors, 0, sizeof *sensors);
    sensors->accel_a[2] = sensors->accel_b[2] = FC_GRAVITY_M_S2;
    sensors->pressure_pa = 94080.0F;
    sensors->battery_v = 8.1F;
    sensors->battery_a = 0.22F;
    sensors->computer_a = 0.19F;
    sensors->servo_a = 0.03F;
}

uint32_t fc_port_continuity(void)
{
    return continuity;
}

void fc_port_fire(unsigned channel)
{
    (void)channel;
}

void fc_port_fins(const float angle_rad[FC_FINS])
{
    (void)angle_rad;
}

static void look_at_continuity(void)
{
    static uint32_t looked_ms;
    unsigned long bits = 0;
    FILE *file;
    if (continuity_path == NULL || fc_port_ms() - looked_ms < 100u) {
        return;
    }
    looked_ms = fc_port_ms();
    file = fopen(continuity_path, "r");
    if (file != NULL) {
        if (fscanf(file, "%lu", &bits) == 1) {
            continuity = (uint32_t)bits;
        }
        fclose(file);
    }
}

int main(int count, char **words)
{
    static fc_computer computer;
    static uint8_t key[BH_KEY_SIZE];
    uint32_t id = count > 3 ? (uint32_t)strtoul(words[3], NULL, 10) : BH_VEHICLE_ID;
    if (count < 3 || count > 5 || !read_key(words[1], key) || id == 0u) {
        fprintf(stderr, "usage: fc_host KEY_FILE STARTS_FILE [VEHICLE_ID [CONTINUITY_FILE]]\n");
        return 2;
    }
    continuity_path = count > 4 ? words[4] : NULL;
    fc_begin(&computer, key, id, bh_count_boot_id(key, count_start, words[2], NULL, 0));
    for (;;) {
        struct pollfd input = {STDIN_FILENO, POLLIN, 0};
        uint8_t heard[4096];
        ssize_t size = 0;
        if (poll(&input, 1, 2) > 0) {
            size = read(STDIN_FILENO, heard, sizeof heard);
            if (size == 0 || (size < 0 && errno != EINTR)) {
                return 0;
            }
        }
        look_at_continuity();
        fc_turn_of_loop(&computer, heard, size > 0 ? (size_t)size : 0u);
    }
}
