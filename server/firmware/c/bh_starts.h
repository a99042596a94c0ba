/* A count of starts for bh_count_boot_id, kept in flash memory over two erase pages.
 *
 * Each record is the count and its complement, written once into erased flash. A record torn by a power cut shows bits
 * that are still erased, so that the two halves no longer complement each other, whatever bits those are. Every count is
 * written twice and read back before it counts; a page is erased only when the other holds the last one. So the count
 * never goes back, unless both pages are lost: keep them out of what your programmer erases, or make a new key when you
 * program.
 *
 * Wear: pages of 2048 bytes that stand 10 000 erasures last for 2.5 million starts.
 *
 * `at` counts from the first byte of the first page; a record is 8 bytes at a multiple of 8, an erasure begins at a page:
 *
 *     static bool my_read(void *user, uint32_t at, uint8_t *data, uint32_t size) { ... }
 *     static bool my_program(void *user, uint32_t at, const uint8_t *data, uint32_t size) { ... }
 *     static bool my_erase(void *user, uint32_t at) { ... }
 *     bh_flash flash = {my_read, my_program, my_erase, NULL, 2048};
 *     bh_begin(&vehicle, key, BH_VEHICLE_ID, bh_count_boot_id(key, bh_flash_count, &flash, NULL, 0), 0, NULL, NULL);
 *
 * A board that can keep nothing and has no hardware random generator:
 *
 *     bh_begin(&vehicle, key, BH_VEHICLE_ID, bh_count_boot_id(key, NULL, NULL, NULL, 0), 0, NULL, NULL);
 *
 * Its boot id is 0: it sends its telemetry, obeys Safe all and refuses everything else, "other boot"; its identity packet
 * says 0, and the station says why. A board with a random generator, 16 bytes of it in `noise`:
 *
 *     bh_begin(&vehicle, key, BH_VEHICLE_ID, bh_make_boot_id(key, 0, noise, sizeof noise), 0, NULL, NULL); */
#ifndef BH_STARTS_H
#define BH_STARTS_H

#include <stdbool.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Two erase pages of `page` bytes each, one behind the other in `at`; `page` a multiple of 8. Erased bytes are 0xFF.
 * Each function returns false when the memory says that it failed. */
typedef struct {
    bool (*read)(void *user, uint32_t at, uint8_t *data, uint32_t size);
    bool (*program)(void *user, uint32_t at, const uint8_t *data, uint32_t size);
    bool (*erase)(void *user, uint32_t at);
    void *user;
    uint32_t page;
} bh_flash;

/* A bh_count_start whose `user` is a bh_flash. False when the count could not be kept, or has reached its end. */
bool bh_flash_count(void *flash, uint32_t *starts);

#ifdef __cplusplus
}
#endif
#endif
