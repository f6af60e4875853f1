/* An SPI converter with two inputs; see two_inputs.h. */
#include "two_inputs.h"

#include "board.h"

#define FIRST 0x80u
#define SECOND 0xC0u
#define STATE 0xA0u

static int32_t read(uint8_t input, uint8_t next)
{
    uint8_t state;
    uint8_t high;
    uint8_t low;
    int32_t value;

    board_select(1);
    state = board_exchange(next);
    high = board_exchange(0);
    low = board_exchange(0);
    board_select(0);
    if (state != (STATE | input)) {
        return TAUTPOINT_MISSING;
    }
    value = (int32_t)(((uint16_t)high << 8) | low);
    return high & 0x80u ? value - 0x10000L : value;
}

void two_inputs_begin(void)
{
    (void)read(0, FIRST);
}

void two_inputs_read(int32_t *counts)
{
    counts[0] = read(0, SECOND);
    counts[1] = read(1, FIRST);
}
