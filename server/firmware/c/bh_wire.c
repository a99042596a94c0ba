#include "bh_wire.h"

#include <string.h>

/* ---------------------------------------------------------------- checksum and stuffing */

uint16_t bh_crc16(const uint8_t *data, size_t size)
{
    unsigned crc = 0xFFFFu;
    size_t i;
    for (i = 0; i < size; i++) {
        /* Eight steps of polynomial 0x1021 at once: its few terms let the byte be folded with shifts, no table. */
        unsigned x = ((crc >> 8) ^ data[i]) & 0xFFu;
        x ^= x >> 4;
        crc = ((crc << 8) ^ (x << 12) ^ (x << 5) ^ x) & 0xFFFFu;
    }
    return (uint16_t)crc;
}

size_t bh_stuff(uint8_t *frame, size_t size)
{
    size_t code = 1;
    size_t i;
    if (size < 1u || size > BH_CONTENT_MAX) {
        return 0;
    }
    frame[0] = 0u;
    for (i = BH_FRAME_HEAD; i < size + BH_FRAME_HEAD; i++) {
        if (frame[i] == 0u) {
            frame[code] = (uint8_t)(i - code);
            code = i;
        }
    }
    frame[code] = (uint8_t)(i - code);
    frame[i] = 0u;
    return i + 1u;
}

size_t bh_unstuff(uint8_t *encoded, size_t size)
{
    size_t at = 0;
    if (size < 1u || size > BH_ENCODED_MAX) {
        return BH_BAD;
    }
    while (at < size) {
        size_t next = at + encoded[at];
        if (next == at || next > size) {
            return BH_BAD;
        }
        encoded[at] = 0u;
        at = next;
    }
    return size - 1u;
}

void bh_put(uint8_t *out, uint32_t value, size_t size)
{
    while (size > 0u) {
        size--;
        out[size] = (uint8_t)(value & 0xFFu);
        value >>= 8;
    }
}

uint32_t bh_get(const uint8_t *data, size_t size)
{
    uint32_t value = 0;
    size_t i;
    for (i = 0; i < size; i++) {
        value = (value << 8) | data[i];
    }
    return value;
}

/* ---------------------------------------------------------------- SHA-256, FIPS 180-4 */

typedef struct {
    uint32_t state[8];
    uint32_t bytes;
    uint8_t block[64];
} sha256;

static const uint32_t sha256_k[64] = {
    0x428a2f98u, 0x71374491u, 0xb5c0fbcfu, 0xe9b5dba5u, 0x3956c25bu, 0x59f111f1u, 0x923f82a4u, 0xab1c5ed5u,
    0xd807aa98u, 0x12835b01u, 0x243185beu, 0x550c7dc3u, 0x72be5d74u, 0x80deb1feu, 0x9bdc06a7u, 0xc19bf174u,
    0xe49b69c1u, 0xefbe4786u, 0x0fc19dc6u, 0x240ca1ccu, 0x2de92c6fu, 0x4a7484aau, 0x5cb0a9dcu, 0x76f988dau,
    0x983e5152u, 0xa831c66du, 0xb00327c8u, 0xbf597fc7u, 0xc6e00bf3u, 0xd5a79147u, 0x06ca6351u, 0x14292967u,
    0x27b70a85u, 0x2e1b2138u, 0x4d2c6dfcu, 0x53380d13u, 0x650a7354u, 0x766a0abbu, 0x81c2c92eu, 0x92722c85u,
    0xa2bfe8a1u, 0xa81a664bu, 0xc24b8b70u, 0xc76c51a3u, 0xd192e819u, 0xd6990624u, 0xf40e3585u, 0x106aa070u,
    0x19a4c116u, 0x1e376c08u, 0x2748774cu, 0x34b0bcb5u, 0x391c0cb3u, 0x4ed8aa4au, 0x5b9cca4fu, 0x682e6ff3u,
    0x748f82eeu, 0x78a5636fu, 0x84c87814u, 0x8cc70208u, 0x90befffau, 0xa4506cebu, 0xbef9a3f7u, 0xc67178f2u};

static uint32_t turned(uint32_t x, unsigned bits)
{
    return (x >> bits) | (x << (32u - bits));
}

static void sha256_block(sha256 *sha)
{
    uint32_t w[16]; /* the schedule rolls: 64 bytes of stack in place of 256 */
    uint32_t v[8];
    unsigned i;
    for (i = 0; i < 16u; i++) {
        w[i] = bh_get(sha->block + 4u * i, 4);
    }
    memcpy(v, sha->state, sizeof v);
    for (i = 0; i < 64u; i++) {
        uint32_t one, two, s0, s1;
        if (i >= 16u) {
            s0 = w[(i + 1u) & 15u];
            s1 = w[(i + 14u) & 15u];
            s0 = turned(s0, 7) ^ turned(s0, 18) ^ (s0 >> 3);
            s1 = turned(s1, 17) ^ turned(s1, 19) ^ (s1 >> 10);
            w[i & 15u] += s0 + s1 + w[(i + 9u) & 15u];
        }
        one = v[7] + (turned(v[4], 6) ^ turned(v[4], 11) ^ turned(v[4], 25)) + ((v[4] & v[5]) ^ (~v[4] & v[6])) +
              sha256_k[i] + w[i & 15u];
        two = (turned(v[0], 2) ^ turned(v[0], 13) ^ turned(v[0], 22)) +
              ((v[0] & v[1]) ^ (v[0] & v[2]) ^ (v[1] & v[2]));
        memmove(v + 1, v, 7u * sizeof v[0]);
        v[4] += one;
        v[0] = one + two;
    }
    for (i = 0; i < 8u; i++) {
        sha->state[i] += v[i];
    }
}

static void sha256_begin(sha256 *sha)
{
    static const uint32_t start[8] = {0x6a09e667u, 0xbb67ae85u, 0x3c6ef372u, 0xa54ff53au,
                                      0x510e527fu, 0x9b05688cu, 0x1f83d9abu, 0x5be0cd19u};
    memcpy(sha->state, start, sizeof start);
    sha->bytes = 0;
}

static void sha256_add(sha256 *sha, const uint8_t *data, size_t size)
{
    size_t i;
    for (i = 0; i < size; i++) {
        sha->block[sha->bytes & 63u] = data[i];
        sha->bytes++;
        if ((sha->bytes & 63u) == 0u) {
            sha256_block(sha);
        }
    }
}

static void sha256_end(sha256 *sha, uint8_t digest[32])
{
    static const uint8_t one = 0x80u, zero = 0u;
    uint8_t length[8] = {0};
    unsigned i;
    bh_put(length + 3, sha->bytes >> 29, 1);
    bh_put(length + 4, sha->bytes << 3, 4);
    sha256_add(sha, &one, 1);
    while ((sha->bytes & 63u) != 56u) {
        sha256_add(sha, &zero, 1);
    }
    sha256_add(sha, length, sizeof length);
    for (i = 0; i < 8u; i++) {
        bh_put(digest + 4u * i, sha->state[i], 4);
    }
}

void bh_sha256(const uint8_t *data, size_t size, uint8_t digest[32])
{
    sha256 sha;
    sha256_begin(&sha);
    sha256_add(&sha, data, size);
    sha256_end(&sha, digest);
}

static void sha256_begin_keyed(sha256 *sha, const uint8_t *key, size_t key_size, unsigned pad)
{
    unsigned i;
    sha256_begin(sha);
    for (i = 0; i < 64u; i++) {
        uint8_t octet = (uint8_t)((i < key_size ? key[i] : 0u) ^ pad);
        sha256_add(sha, &octet, 1);
    }
}

void bh_hmac_sha256(const uint8_t *key, size_t key_size, const uint8_t *head, size_t head_size, const uint8_t *data,
                    size_t size, uint8_t tag[32])
{
    uint8_t short_key[32];
    sha256 sha;
    if (key_size > 64u) {
        bh_sha256(key, key_size, short_key);
        key = short_key;
        key_size = sizeof short_key;
    }
    sha256_begin_keyed(&sha, key, key_size, 0x36u);
    sha256_add(&sha, head, head_size);
    sha256_add(&sha, data, size);
    sha256_end(&sha, tag);
    sha256_begin_keyed(&sha, key, key_size, 0x5Cu);
    sha256_add(&sha, tag, 32);
    sha256_end(&sha, tag);
}

bool bh_same(const uint8_t *one, const uint8_t *other, size_t size)
{
    volatile uint8_t difference = 0;
    size_t i;
    for (i = 0; i < size; i++) {
        difference = (uint8_t)(difference | (one[i] ^ other[i]));
    }
    return difference == 0u;
}
