/* Blockhouse wire, the parts that know no dictionary: checksum, byte stuffing, SHA-256, HMAC, fields to bytes.
 *
 * C99, also C++ and small boards. No heap, no global state, no assumption about byte order or alignment: every
 * multi-byte number is written and read byte by byte. Do not compile with -ffast-math: the refusal of what is not a
 * number depends on IEEE comparisons. What each part means stands in WIRE.md; the section is named at each function. */
#ifndef BH_WIRE_H
#define BH_WIRE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define BH_CONTENT_MAX 254u /* packet and CRC */
#define BH_ENCODED_MAX 255u /* stuffed, without the zero */
#define BH_FRAME_MAX 256u   /* with the zero: give every `frame` this much room */
#define BH_BAD ((size_t)-1)
#define BH_PLAIN 0xFFu /* a number without scale and offset */

enum bh_type {
    BH_U8,
    BH_I8,
    BH_U16,
    BH_I16,
    BH_U32,
    BH_I32,
    BH_F32,
    BH_F64,
    BH_TEXT,
    BH_BITS8,
    BH_BITS16,
    BH_BITS32
};

/* One channel of a packet: how it goes from its member of the packet's struct to the wire.
 * `number`: integers: index into the dictionary's scales, or BH_PLAIN; bits: 1 for the last group of its word.
 * `size`: text: bytes on the wire; bits: width of the group. `place`: of the member in the struct. */
typedef struct {
    uint8_t type;
    uint8_t number;
    uint8_t shift;
    uint8_t size;
    uint16_t place;
} bh_field;

typedef struct {
    double scale;
    double offset;
} bh_scale;

/* What one argument of a command may be, in engineering units; driven_max 0: no driving part. */
typedef struct {
    double scale;
    double low;
    double high;
    double ratio;
    double driven_max;
} bh_limits;

typedef struct {
    uint8_t type;
    uint8_t limits;
    uint16_t place;
} bh_argument;

/* A packet and a command of a dictionary, as its tables list them. */
typedef struct {
    uint16_t apid;
    uint8_t count;
    const bh_field *fields;
} bh_packet;

typedef struct {
    uint8_t code;
    uint8_t first; /* of its arguments in the table of all arguments */
    uint8_t count;
} bh_command_entry;

/* CRC-16/IBM-3740 (WIRE.md 2). */
uint16_t bh_crc16(const uint8_t *data, size_t size);

/* Stuff the content standing at frame[1..size] in place and end it with a zero (WIRE.md 1).
 * Returns the bytes of the frame, 0 when the content is empty or longer than BH_CONTENT_MAX. */
size_t bh_stuff(uint8_t *frame, size_t size);

/* Undo it in place for `size` bytes without the zero: the content stands at encoded[1]. Returns its size or BH_BAD. */
size_t bh_unstuff(uint8_t *encoded, size_t size);

/* HMAC-SHA-256 (RFC 2104, FIPS 180-4), all 32 bytes; the wire uses the first 16. */
void bh_hmac_sha256(const uint8_t *key, size_t key_size, const uint8_t *data, size_t size, uint8_t tag[32]);
void bh_sha256(const uint8_t *data, size_t size, uint8_t digest[32]);

/* Compare without telling by the time taken where the difference is. */
bool bh_same(const uint8_t *one, const uint8_t *other, size_t size);

/* Big-endian, `size` 1, 2 or 4 bytes. */
void bh_put(uint8_t *out, uint32_t value, size_t size);
uint32_t bh_get(const uint8_t *data, size_t size);

/* Bytes of a type on the wire (text: 0). */
size_t bh_size_of(uint8_t type);

/* Write the fields of one packet. Returns the bytes written, or BH_BAD when a value does not fit its field. */
size_t bh_pack(const bh_field *fields, size_t count, const bh_scale *scales, const void *values, uint8_t *out);

/* Read and check the arguments of one command into `args`. False when bytes are missing or left over, or a value is
 * not a number or outside its limits (WIRE.md 7). */
bool bh_unpack(const bh_argument *arguments, size_t count, const bh_limits *limits, const uint8_t *data, size_t size,
               void *args);

#ifdef __cplusplus
}
#endif
#endif
