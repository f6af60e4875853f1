/* A 24-bit bridge converter; see bridge.h. */
#include "bridge.h"

#include "board.h"
#include "config.h"

int32_t bridge_read(void)
{
    uint32_t bits = 0;
    uint8_t data;
    uint8_t i;

    for (i = 0; i < 24u; i++) {
        bits = (bits << 1) | (uint32_t)(board_bridge_pulse() & 1u);
    }
    for (i = 0; i < BRIDGE_FURTHER_PULSES; i++) {
        (void)board_bridge_pulse();
    }
    data = board_bridge_data();
    if (!data) {
        return TAUTPOINT_MISSING;
    }
    return bits & 0x800000UL ? (int32_t)bits - 0x1000000L : (int32_t)bits;
}

void bridge_came(struct bridge_pace *pace, uint32_t time_us)
{
    pace->last_us = time_us;
}

uint8_t bridge_overdue(struct bridge_pace *pace, uint32_t now_us, uint32_t *time_us)
{
    if (now_us - pace->last_us < PERIOD_US + PERIOD_US / 2u) {
        return 0;
    }
    pace->last_us += PERIOD_US;
    *time_us = pace->last_us;
    return 1;
}
