/* Blockhouse wire, the parts that know no dictionary: checksum, byte stuffing, SHA-256, HMAC, fields to bytes.
 *
 * C99, also C++ and small boards. No heap, no global state, no assumption about byte order or alignment: every
 * multi-byte number is written and read byte by byte. What each part means stands in WIRE.md; the section is named at
 * each function. Arithmetic must be that of IEEE 754, or values go out one step off and what is not a number passes for
 * one: a compiler told otherwise is refused below. */
#ifndef BH_WIRE_H
#define BH_WIRE_H

#include <float.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#if defined(__FAST_MATH__) || (defined(__FINITE_MATH_ONLY__) && __FINITE_MATH_ONLY__)
#error "Blockhouse: compile without -ffast-math, -Ofast and -ffinite-math-only: what is not a number would pass for one"
#endif
#if defined(__ASSOCIATIVE_MATH__) || defined(__RECIPROCAL_MATH__)
#error "Blockhouse: compile without -funsafe-math-optimizations and -freciprocal-math: values would go out one step off"
#endif
#if FLT_RADIX != 2 || FLT_MANT_DIG != 24 || FLT_MAX_EXP != 128
#error "Blockhouse: float must have the 32 bits of IEEE 754"
#endif
#if DBL_MANT_DIG != 53 || DBL_MAX_EXP != 1024
#error "Blockhouse: double must have the 64 bits of IEEE 754; compile without -fshort-double or its like"
#endif

/* What the preprocessor cannot ask; the message names the array that would have a negative size. */
typedef char bh_double_must_have_8_bytes[sizeof(double) == 8u ? 1 : -1];
typedef char bh_float_must_have_4_bytes[sizeof(float) == 4u ? 1 : -1];
typedef char bh_bool_must_have_1_byte[sizeof(bool) == 1u ? 1 : -1];
typedef char bh_compile_without_single_precision_constants
    [sizeof(1.0) == sizeof(double) && (uint32_t)16777217.0 == 16777217u ? 1 : -1];

#ifdef __cplusplus
extern "C" {
#endif

#define BH_CONTENT_MAX 254u /* packet and CRC */
#define BH_ENCODED_MAX 255u /* stuffed, without the zero */
#define BH_FRAME_MAX 257u   /* with a zero before and behind: give every `frame` this much room */
#define BH_FRAME_HEAD 2u    /* where content stands in a frame: behind the zero and the first code */
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
    BH_BITS32,
    BH_U24,
    BH_I24,
    BH_U64,
    BH_I64,
    BH_F16,
    BH_BOOL,
    BH_BYTES
};
#define BH_LITTLE 0x80 /* beside a type: little-endian */

#define BH_SHIFT 0x1F  /* `how`, bits: the lowest bit of the group */
#define BH_LAST 0x20   /* bits: the last group of its word */
#define BH_SIGNED 0x40 /* bits: two's complement */

/* One channel of a packet: how it goes from its member of the packet's struct to the wire.
 * `number`: integers and bits: index into the dictionary's scales, or BH_PLAIN.
 * `size`: text, bytes: bytes on the wire; bits: width of the group. `place`: of the member in the struct. */
typedef struct {
    uint8_t type;
    uint8_t number;
    uint8_t how;
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

#ifdef BH_REHEARSAL
/* A stimulus of a dictionary; `size`: bytes of its fields. */
typedef struct {
    uint16_t apid;
    uint8_t count;
    uint8_t size;
    const bh_field *fields;
} bh_stimulus;
#endif

/* CRC-16/IBM-3740 (WIRE.md 2). */
uint16_t bh_crc16(const uint8_t *data, size_t size);

/* Stuff the content standing at frame[2..size + 1] in place, a zero before and behind it (WIRE.md 1).
 * Returns the bytes of the frame, 0 when the content is empty or longer than BH_CONTENT_MAX. */
size_t bh_stuff(uint8_t *frame, size_t size);

/* Undo it in place for `size` bytes without the zero: the content stands at encoded[1]. Returns its size or BH_BAD. */
size_t bh_unstuff(uint8_t *encoded, size_t size);

/* HMAC-SHA-256 (RFC 2104, FIPS 180-4) over a head and what follows it, all 32 bytes; the wire uses the first 16 or 8. */
void bh_hmac_sha256(const uint8_t *key, size_t key_size, const uint8_t *head, size_t head_size, const uint8_t *data,
                    size_t size, uint8_t tag[32]);
void bh_sha256(const uint8_t *data, size_t size, uint8_t digest[32]);

/* Compare without telling by the time taken where the difference is. */
bool bh_same(const uint8_t *one, const uint8_t *other, size_t size);

/* Big-endian, `size` 1, 2 or 4 bytes. */
void bh_put(uint8_t *out, uint32_t value, size_t size);
uint32_t bh_get(const uint8_t *data, size_t size);

/* Bytes of a type on the wire (text and bytes: 0). */
size_t bh_size_of(uint8_t type);

/* Write the fields of one packet. Returns the bytes written. A value that does not fit its field goes out as the nearest
 * one that does; what is not a number goes out as the value farthest from zero (all ones in an unsigned field, the lowest
 * in a signed one), which no limit takes for healthy. Each is added to `refused`: one bad sensor must not silence a packet.
 * Floats carry what is infinite or not a number as it is, and what is too great for 16 bits as infinite; a text is cut. */
size_t bh_pack(const bh_field *fields, size_t count, const bh_scale *scales, const void *values, uint8_t *out,
               uint32_t *refused);

/* Read and check the arguments of one command into `args`. False when bytes are missing or left over, or a value is
 * not a number or outside its limits (WIRE.md 8). */
bool bh_unpack(const bh_argument *arguments, size_t count, const bh_limits *limits, const uint8_t *data, size_t size,
               void *args);

#ifdef __cplusplus
}
#endif
#endif
