/* A 24-bit bridge converter; see bridge.h. */
#include "bridge.h"

#include "board.h"
#include "config.h"

int32_t bridge_read(void)
{
    uint32_t bits = 0;
    uint8_t data;
    uint8_t i;

    if (board_bridge_data()) {
        return TAUTPOINT_MISSING;
    }
    for (i = 0; i < 24u; i++) {
        bits = (bits << 1) | (uint32_t)(board_bridge_pulse() & 1u);
    }
    for (i = 0; i < BRIDGE_FURTHER_PULSES; i++) {
        (void)board_bridge_pulse();
    }
    data = board_bridge_data();
    if (!data || bits == 0xFFFFFFUL) {
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
    uint32_t since = now_us - pace->last_us;

    /* A clock that goes back is no long time. */
    if (since < PERIOD_US + PERIOD_US / 2u || since >= 0x80000000UL) {
        return 0;
    }
    pace->last_us += PERIOD_US;
    *time_us = pace->last_us;
    return 1;
}

uint8_t bridge_sample(struct bridge_pace *pace, int32_t *counts, uint32_t *time_us)
{
    if (board_bridge_ready(time_us)) {
        counts[1] = board_displacement_when_ready();
        board_bridge_listen(0);
        counts[0] = bridge_read();
        board_bridge_listen(1);
        if (counts[0] != TAUTPOINT_MISSING) {
            bridge_came(pace, *time_us);
            if (pace->owed) {
                pace->owed = 0;
                counts[1] = TAUTPOINT_MISSING;
            }
            return 1;
        }
        if (counts[1] == TAUTPOINT_MISSING) {
            pace->owed = 1;
        }
    }
    /* A line that is stuck or has glitches falls as often as it likes: its samples come by the clock. */
    if (!bridge_overdue(pace, board_time_us(), time_us)) {
        return 0;
    }
    counts[0] = TAUTPOINT_MISSING;
    counts[1] = board_displacement();
    if (pace->owed) {
        pace->owed = 0;
        counts[1] = TAUTPOINT_MISSING;
    }
    return 1;
}

uint8_t bridge_goes_on(uint32_t *last_us, uint32_t time_us)
{
    uint32_t step = time_us - *last_us;

    if (step < PERIOD_US / 4u || step >= 0x80000000UL) {
        return 0;
    }
    *last_us = time_us;
    return 1;
}
