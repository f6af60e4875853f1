/* What a board does for a station. For another controller write these few functions; boards/ has two. */
#ifndef STATION_BOARD_H
#define STATION_BOARD_H

#include <stdint.h>

#include "core.h"

/* Stops the watchdog of an earlier life, sets clocks and pins, starts line, timer and watchdog; then allows interrupts. */
void board_begin(struct station *s);

/* Called when there is nothing to do: a board may wait for an interrupt, or come back at once. */
void board_idle(void);

/* Sampling goes on: the watchdog may wait. */
void board_alive(void);

/* There are bytes for the line. */
void board_send(void);

/* µs since the start, from FIRST_TIME_US. */
uint32_t board_time_us(void);

/* ---- Bridge converter: a clock line out, a data line in. */

/* Whether the data line fell since the last call, and when. */
uint8_t board_bridge_ready(uint32_t *time_us);
/* Interrupts of the data line are off while bits are read. On again, a line that is low already is a conversion that is ready
 * now: no edge tells of it. */
void board_bridge_listen(uint8_t on);
/* One pulse of the clock, short whatever interrupts come: a long one switches a converter off. Gives the data line
 * after it. */
uint8_t board_bridge_pulse(void);
uint8_t board_bridge_data(void);

/* ---- Two inputs by SPI: select the converter, exchange a byte. */
void board_select(uint8_t on);
uint8_t board_exchange(uint8_t byte);

/* ---- Displacement: what it is at this moment. */
int32_t board_displacement(void);
/* What it was when the data line of the bridge converter fell. */
int32_t board_displacement_when_ready(void);

#endif
