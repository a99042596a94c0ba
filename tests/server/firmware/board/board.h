/* A stand-in for the core library of a small board, as little as the sketch needs: invented, for tests.
 *
 * One serial port with 64-byte rings both ways, a clock, and a byte store that is called EEPROM. Time is virtual: how it
 * passes is the business of the clock the program is linked with (clock_here.cpp, clock_m3.cpp). */
#ifndef BOARD_H
#define BOARD_H

#include <stddef.h>
#include <stdint.h>

unsigned long millis();
uint64_t board_ns();           /* since the program began */
void board_wait(uint64_t till_ns); /* as a driver waits for its ring */

struct Store {
    uint8_t bytes[256];
    uint8_t read(int at) { return bytes[at]; }
    void write(int at, uint8_t value) { bytes[at] = value; }
};
extern Store EEPROM;

struct SerialPort {
    static const size_t RING = 64;
    void begin(unsigned long baud);
    int available();
    int read();
    int availableForWrite();
    size_t write(const uint8_t *data, size_t size); /* waits for room, as many do */
    uint64_t waited_ns; /* in write */
    uint32_t overrun;   /* bytes that found the receive ring full */
    uint64_t octet_ns;

  private:
    void receive();
    size_t unsent(uint64_t now_ns) const;
    uint64_t idle_ns; /* when the last byte written will have left */
    uint8_t heard[RING];
    size_t heard_first, heard_count;
    size_t next; /* of the scripted input */
};
extern SerialPort Serial1;
#define Serial Serial1 /* the one cable of a rehearsal */

/* The script: bytes with the time at which each has come in, made by the test. */
struct Incoming {
    uint64_t at_ns;
    uint8_t octet;
};
extern const Incoming incoming[];
extern const size_t incoming_count;

#endif
