#include "board.h"

#include <stdio.h>
#include <string.h>

extern void setup();
extern void loop();
extern uint32_t frames_dropped __attribute__((weak));

Store EEPROM;
SerialPort Serial1;
static uint8_t sent[1 << 20];
static size_t sent_count;

unsigned long millis() { return (unsigned long)(board_ns() / 1000000u); }

void SerialPort::begin(unsigned long baud) { octet_ns = 10000000000ull / baud; }

/* Bring in what has come up to now: an interrupt would. What finds no room is lost. */
void SerialPort::receive()
{
    uint64_t now = board_ns();
    while (next < incoming_count && incoming[next].at_ns <= now) {
        if (heard_count == RING) {
            overrun++;
        } else {
            heard[(heard_first + heard_count++) % RING] = incoming[next].octet;
        }
        next++;
    }
}

int SerialPort::available()
{
    receive();
    return (int)heard_count;
}

int SerialPort::read()
{
    receive();
    if (heard_count == 0) {
        return -1;
    }
    uint8_t octet = heard[heard_first];
    heard_first = (heard_first + 1) % RING;
    heard_count--;
    return octet;
}

size_t SerialPort::unsent(uint64_t now_ns) const
{
    return idle_ns <= now_ns ? 0 : (size_t)((idle_ns - now_ns + octet_ns - 1) / octet_ns);
}

int SerialPort::availableForWrite() { return (int)(RING - unsent(board_ns())); }

size_t SerialPort::write(const uint8_t *data, size_t size)
{
    for (size_t i = 0; i < size; i++) {
        uint64_t now = board_ns();
        if (unsent(now) >= RING) {
            uint64_t till = idle_ns - (RING - 1) * octet_ns;
            board_wait(till);
            uint64_t after = board_ns();
            waited_ns += after - now;
            now = after;
        }
        idle_ns = (idle_ns > now ? idle_ns : now) + octet_ns;
        if (sent_count < sizeof sent) {
            sent[sent_count++] = data[i];
        }
    }
    return size;
}

int main()
{
    memset(EEPROM.bytes, 0xFF, sizeof EEPROM.bytes);
    setup();
    uint64_t begun = board_ns();
    uint64_t waited_before = Serial1.waited_ns;
    uint64_t longest = 0;
    uint64_t loops = 0;
    uint64_t now = begun;
    while (now - begun < RUN_MS * 1000000ull) {
        loop();
        uint64_t after = board_ns();
        longest = after - now > longest ? after - now : longest;
        now = after;
        loops++;
    }
    FILE *file = fopen("sent.bin", "wb");
    if (file == NULL || fwrite(sent, 1, sent_count, file) != sent_count || fclose(file) != 0) {
        return 1;
    }
    printf("longest_us %lu\nwaited_ms %lu\nran_ms %lu\nloops %lu\ndropped %lu\noverrun %lu\n", (unsigned long)(longest / 1000u),
           (unsigned long)((Serial1.waited_ns - waited_before) / 1000000u), (unsigned long)((now - begun) / 1000000u),
           (unsigned long)loops, (unsigned long)(&frames_dropped != NULL ? frames_dropped : 0u), (unsigned long)Serial1.overrun);
    return 0;
}
