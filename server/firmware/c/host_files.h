/* What a program on a computer keeps in files: the command key and the count of starts. */
#ifndef HOST_FILES_H
#define HOST_FILES_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "../bh_link.h"

/* Read the key as the station keeps it, in hexadecimal. */
static inline bool read_key(const char *path, uint8_t key[BH_KEY_SIZE])
{
    FILE *file = fopen(path, "r");
    unsigned i, octet;
    if (file == NULL) {
        return false;
    }
    for (i = 0; i < BH_KEY_SIZE && fscanf(file, "%2x", &octet) == 1; i++) {
        key[i] = (uint8_t)octet;
    }
    fclose(file);
    return i == BH_KEY_SIZE;
}

/* A bh_count_start over a file, replaced as a whole so that a crash leaves the old count or the new one. */
static inline bool count_start(void *user, uint32_t *starts)
{
    const char *path = (const char *)user;
    unsigned long count = 0;
    char beside[1024];
    FILE *file = fopen(path, "r");
    bool kept;
    bool readable = file == NULL;
    if (file != NULL) {
        readable = fscanf(file, "%lu", &count) == 1;
        fclose(file);
    }
    if (!readable || count >= 0xFFFFFFFEu || strlen(path) + 5u > sizeof beside) {
        return false;
    }
    strcpy(beside, path);
    strcat(beside, ".new");
    file = fopen(beside, "w");
    if (file == NULL) {
        return false;
    }
    kept = fprintf(file, "%lu\n", count + 1u) > 0 && fflush(file) == 0 && fsync(fileno(file)) == 0;
    kept = fclose(file) == 0 && kept && rename(beside, path) == 0;
    *starts = (uint32_t)(count + 1u);
    return kept;
}

#endif
