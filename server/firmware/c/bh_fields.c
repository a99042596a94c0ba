/* Values to fields, arguments to values. What no field of the dictionary needs (bh_dictionary.h says) is left out. */
#include "bh_dictionary.h"

#include <string.h>

/* ---------------------------------------------------------------- values to fields */

size_t bh_size_of(uint8_t type)
{
    static const uint8_t sizes[19] = {1, 1, 2, 2, 4, 4, 4, 8, 0, 1, 2, 4, 3, 3, 8, 8, 2, 1, 0};
    return sizes[type & (BH_LITTLE - 1u)];
}

static bool is_signed(uint8_t type)
{
    return type == BH_I8 || type == BH_I16 || type == BH_I32 || type == BH_I24 || type == BH_I64;
}

/* Bytes of a member that holds so many bits. */
static size_t member_size(size_t bits)
{
    return bits <= 8u ? 1u : bits <= 16u ? 2u : 4u;
}

/* An unsigned member of 1, 2 or 4 bytes, or the bits of a signed one, in this machine's own byte order. */
static uint32_t member(const uint8_t *at, size_t size)
{
    uint16_t half;
    uint32_t whole;
    if (size == 1u) {
        return *at;
    }
    if (size == 2u) {
        memcpy(&half, at, sizeof half);
        return half;
    }
    memcpy(&whole, at, sizeof whole);
    return whole;
}

/* The value of a scaled member, before scale and offset. */
static double unscaled(const bh_field *field, const uint8_t *place, const bh_scale *scales)
{
    const bh_scale *scale = &scales[field->number];
#if BH_FLOAT_MEMBERS
    float value;
#else
    double value;
#endif
    memcpy(&value, place, sizeof value);
    return ((double)value - scale->offset) / scale->scale;
}

/* Round to the nearest integer of so many bits (at most 32), halves to even, as the ground does; the nearest that fits. */
static uint32_t rounded(double steps, size_t bits, bool is_signed_one, uint32_t *refused)
{
    bool negative = is_signed_one ? !(steps >= 0.0) : steps < 0.0; /* signed: also what is not a number */
    double size = negative ? -steps : steps;
    uint32_t most = 0xFFFFFFFFu >> (32u - bits);
    uint32_t whole;
    double rest;
    if (is_signed_one) {
        most = (most >> 1) + (negative ? 1u : 0u);
    } else if (negative) {
        most = 0u;
    }
    if (!(size < (double)most + 1.0)) { /* also what is not a number */
        (*refused)++;
        return negative ? 0u - most : most;
    }
    whole = (uint32_t)size;
    rest = size - (double)whole;
    if (rest > 0.5 || (rest == 0.5 && (whole & 1u) != 0u)) {
        if (whole == most) {
            (*refused)++;
        } else {
            whole++;
        }
    }
    return negative ? 0u - whole : whole;
}

#if BH_HAS_SCALED_64
/* The same of 64 bits, where every double above 2^53 is whole. */
static uint64_t rounded_wide(double steps, bool is_signed_one, uint32_t *refused)
{
    const double room = is_signed_one ? 9223372036854775808.0 : 18446744073709551616.0;
    bool negative = steps < 0.0 || (is_signed_one && !(steps >= 0.0));
    double size = negative ? -steps : steps;
    uint64_t most = is_signed_one ? UINT64_MAX >> 1 : UINT64_MAX;
    uint64_t whole;
    double rest;
    if (negative) {
        most = is_signed_one ? most + 1u : 0u;
    }
    if (!(size < room)) { /* also what is not a number, and the lowest, which is its own magnitude */
        if (!(negative && size == room)) {
            (*refused)++;
        }
        return negative ? ~most + 1u : most;
    }
    whole = (uint64_t)size;
    rest = size - (double)whole;
    if (rest > 0.5 || (rest == 0.5 && (whole & 1u) != 0u)) {
        whole++;
    }
    if (whole > most) {
        whole = most;
        (*refused)++;
    }
    return negative ? 0u - whole : whole;
}

#endif

#if BH_HAS_HALF
/* The 16 bits of IEEE 754 nearest to a float's 32, halves to even; what is not a number keeps its sign only. */
static uint32_t half_of(uint32_t bits)
{
    uint32_t sign = (bits >> 16) & 0x8000u;
    uint32_t size = bits & 0x7FFFFFFFu;
    uint32_t shift, whole, rest, half;
    if (size > 0x7F800000u) {
        return sign | 0x7E00u;
    }
    if (size >= 0x477FF000u) { /* 65520: half a step above the greatest */
        return sign | 0x7C00u;
    }
    if (size >= 0x38800000u) { /* 2^-14: a normal one */
        return sign | ((size - 0x38000000u + 0xFFFu + ((size >> 13) & 1u)) >> 13);
    }
    shift = 126u - (size >> 23);
    if (shift > 24u) {
        return sign;
    }
    whole = (size & 0x7FFFFFu) | 0x800000u;
    rest = whole & ((1u << shift) - 1u);
    half = 1u << (shift - 1u);
    whole >>= shift;
    if (rest > half || (rest == half && (whole & 1u) != 0u)) {
        whole++;
    }
    return sign | whole;
}

#endif

#if BH_HAS_NUMBER_GROUPS
/* The bits of a group that is signed or scaled: the nearest that fits. */
static uint32_t number_group(const bh_field *field, const uint8_t *place, const bh_scale *scales, uint32_t *refused)
{
    bool is_signed_one = (field->how & BH_SIGNED) != 0u;
    uint32_t most = 0xFFFFFFFFu >> (32u - field->size);
    size_t size = member_size(field->size);
    uint32_t raw, low;
    if (field->number != BH_PLAIN) {
        return rounded(unscaled(field, place, scales), field->size, is_signed_one, refused) & most;
    }
    raw = member(place, size);
    low = (uint32_t)1u << (8u * (unsigned)size - 1u);
    if ((raw & low) != 0u) {
        raw |= ~(low | (low - 1u)); /* as 32 bits have it */
    }
    low = most ^ (most >> 1); /* the magnitude of the lowest; raw + low counts from it */
    if (raw + low > most) {
        raw = raw > 0x7FFFFFFFu ? low : low - 1u;
        (*refused)++;
    }
    return raw & most;
}
#endif

/* The bits of one group, not yet in their place: the nearest that fits. */
static uint32_t group_of(const bh_field *field, const uint8_t *place, const bh_scale *scales, uint32_t *refused)
{
    uint32_t most = 0xFFFFFFFFu >> (32u - field->size);
    uint32_t raw;
#if BH_HAS_NUMBER_GROUPS
    if (field->number != BH_PLAIN || (field->how & BH_SIGNED) != 0u) {
        return number_group(field, place, scales, refused);
    }
#else
    (void)scales;
#endif
    raw = member(place, member_size(field->size));
    if (raw > most) {
        raw = most;
        (*refused)++;
    }
    return raw;
}

#if BH_HAS_LITTLE
/* Little-endian, `size` 1 to 4 bytes. */
static void put_little(uint8_t *out, uint32_t value, size_t size)
{
    size_t i;
    for (i = 0; i < size; i++) {
        out[i] = (uint8_t)(value & 0xFFu);
        value >>= 8;
    }
}

#endif

static void put_wide(uint8_t *out, uint64_t value, bool little)
{
    uint32_t high = (uint32_t)(value >> 32);
    uint32_t low = (uint32_t)(value & 0xFFFFFFFFu);
#if BH_HAS_LITTLE
    if (little) {
        put_little(out, low, 4);
        put_little(out + 4, high, 4);
        return;
    }
#else
    (void)little;
#endif
    bh_put(out, high, 4);
    bh_put(out + 4, low, 4);
}

/* A plain number of up to 32 bits: whole, a float or a truth value. */
static uint32_t plain_of(const uint8_t *place, uint8_t type, uint32_t *refused)
{
    size_t size = bh_size_of(type);
    uint32_t raw = member(place, size == 3u || type == BH_F16 ? 4u : size);
#if BH_HAS_HALF
    if (type == BH_F16) {
        return half_of(raw);
    }
#endif
#if BH_HAS_24
    if (type == BH_BOOL) {
        return raw != 0u ? 1u : 0u;
    }
    if (type == BH_U24 && raw > 0xFFFFFFu) {
        raw = 0xFFFFFFu;
        (*refused)++;
    }
    if (type == BH_I24 && raw + 0x800000u > 0xFFFFFFu) {
        raw = raw > 0x7FFFFFFFu ? 0x800000u : 0x7FFFFFu;
        (*refused)++;
    }
#else
    (void)refused;
#endif
    return raw;
}

/* Bytes of a text that fit, never ending inside a character. */
static size_t text_size(const char *text, size_t room)
{
    size_t size = 0;
    size_t start;
    if (text == NULL) {
        return 0;
    }
    while (size < room && text[size] != '\0') {
        size++;
    }
    if (size < room || text[size] == '\0') {
        return size;
    }
    start = size;
    while (start > 0u && ((unsigned char)text[start] & 0xC0u) == 0x80u) {
        start--;
    }
    return start;
}

size_t bh_pack(const bh_field *fields, size_t count, const bh_scale *scales, const void *values, uint8_t *out,
               uint32_t *refused)
{
    const uint8_t *from = (const uint8_t *)values;
    uint8_t *at = out;
    uint32_t word = 0;
    size_t i;
    for (i = 0; i < count; i++) {
        const bh_field *field = &fields[i];
        const uint8_t *place = from + field->place;
        uint8_t type = (uint8_t)(field->type & (BH_LITTLE - 1u));
        bool little = (field->type & BH_LITTLE) != 0u;
        size_t size = bh_size_of(type);
        uint32_t raw;
        if (type >= BH_BITS8 && type <= BH_BITS32) {
            word |= group_of(field, place, scales, refused) << (field->how & BH_SHIFT);
            if ((field->how & BH_LAST) == 0u) {
                continue;
            }
            raw = word;
            word = 0;
        } else if (type == BH_TEXT) {
            const char *text;
            memcpy(&text, place, sizeof text);
            size = text_size(text, field->size);
            memset(at, 0, field->size);
            if (size > 0u) {
                memcpy(at, text, size);
            }
            at += field->size;
            continue;
        } else if (type == BH_BYTES) {
            memcpy(at, place, field->size);
            at += field->size;
            continue;
        } else if (size == 8u) { /* f64, and whole numbers of 64 bits */
            uint64_t bits;
#if BH_HAS_SCALED_64
            if (field->number != BH_PLAIN) {
                bits = rounded_wide(unscaled(field, place, scales), is_signed(type), refused);
            } else
#endif
            {
                memcpy(&bits, place, sizeof bits);
            }
            put_wide(at, bits, little);
            at += 8;
            continue;
        } else if (field->number == BH_PLAIN) {
            raw = plain_of(place, type, refused);
        } else {
            raw = rounded(unscaled(field, place, scales), 8u * size, is_signed(type), refused);
        }
        bh_put(at, raw, size);
#if BH_HAS_LITTLE
        if (little) {
            put_little(at, raw, size);
        }
#endif
        at += size;
    }
    return (size_t)(at - out);
}

/* ---------------------------------------------------------------- arguments to values */

static double signed_value(uint32_t raw, size_t size)
{
    uint32_t top = (uint32_t)1u << (8u * (unsigned)size - 1u);
    return (raw & top) != 0u ? -(double)(top - (raw & (top - 1u))) : (double)raw;
}

static double wire_value(uint8_t type, const uint8_t *data)
{
    uint32_t raw = bh_get(data, bh_size_of(type) == 8u ? 4u : bh_size_of(type));
    if (type == BH_F64) {
        uint64_t bits = ((uint64_t)raw << 32) | bh_get(data + 4, 4);
        double value;
        memcpy(&value, &bits, sizeof value);
        return value;
    }
    if (type == BH_F32) {
        float value;
        memcpy(&value, &raw, sizeof value);
        return (double)value;
    }
    return is_signed(type) ? signed_value(raw, bh_size_of(type)) : (double)raw;
}

/* Whole unscaled numbers and f64 come as they were meant. */
static bool is_rounded(uint8_t type, const bh_limits *limits)
{
    return type == BH_F32 || (type != BH_F64 && limits->scale != 1.0);
}

/* A value that differs from a limit only by the wire's own rounding is that limit. */
static double snapped(double value, double limit)
{
    double difference = value < limit ? limit - value : value - limit;
    double one = value < 0.0 ? -value : value;
    double other = limit < 0.0 ? -limit : limit;
    if (!(one <= 1.7976931348623157e308)) {
        return value; /* infinite or not a number: never near a limit */
    }
    return difference <= (one > other ? one : other) * (1.0 / 8388608.0) ? limit : value;
}

static bool allowed(double value, const bh_limits *limits)
{
    double driven = value * limits->ratio;
    if (!(limits->low <= value && value <= limits->high)) { /* also refuses what is not a number */
        return false;
    }
    return !(limits->driven_max > 0.0 && (driven < 0.0 ? -driven : driven) > limits->driven_max * (1.0 + 1e-9));
}

/* Whole unscaled numbers have members of their own type, everything else is a double. */
static void store_value(uint8_t *place, uint8_t type, const bh_limits *limits, double value, const uint8_t *data)
{
    size_t size = bh_size_of(type);
    uint32_t raw = bh_get(data, size == 8u ? 4u : size);
    uint8_t octet = (uint8_t)(raw & 0xFFu);
    uint16_t half = (uint16_t)(raw & 0xFFFFu);
    if (type == BH_F32 || type == BH_F64 || limits->scale != 1.0) {
        memcpy(place, &value, sizeof value);
    } else if (size == 1u) {
        memcpy(place, &octet, sizeof octet);
    } else if (size == 2u) {
        memcpy(place, &half, sizeof half);
    } else {
        memcpy(place, &raw, sizeof raw);
    }
}

bool bh_unpack(const bh_argument *arguments, size_t count, const bh_limits *limits, const uint8_t *data, size_t size,
               void *args)
{
    size_t at = 0;
    size_t i;
    for (i = 0; i < count; i++) {
        uint8_t type = arguments[i].type;
        const bh_limits *limit = &limits[arguments[i].limits];
        double value;
        if (size - at < bh_size_of(type)) {
            return false;
        }
        value = wire_value(type, data + at) * limit->scale;
        if (is_rounded(type, limit) && value != limit->low) {
            double near_low = snapped(value, limit->low);
            value = near_low != value ? near_low : snapped(value, limit->high);
        }
        if (!allowed(value, limit)) {
            return false;
        }
        store_value((uint8_t *)args + arguments[i].place, type, limit, value, data + at);
        at += bh_size_of(type);
    }
    return at == size;
}
