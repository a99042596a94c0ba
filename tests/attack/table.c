/* The host program as a library: the same requests and replies, without a pipe between them. */
#define main host_main
#include "host/bh_host.c"
#undef main

size_t table_ask(char letter, const uint8_t *data, size_t size, const uint8_t **out);

size_t table_ask(char letter, const uint8_t *data, size_t size, const uint8_t **out)
{
    if (size > sizeof request) {
        exit(2);
    }
    memcpy(request, data, size);
    replied = 0;
    carry_out(letter, request, size);
    *out = reply;
    return replied;
}
