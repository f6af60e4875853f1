/* An SPI converter with two inputs of 16 bits, mode 0.
 *
 * Selecting it holds the input that the last byte chose and starts its conversion. Three bytes go either way: out the
 * input for the next conversion (0x80, or 0xC0 for the second) and two without meaning; in a state, which is 0 when the value
 * is new, and the value, high byte first, in two's complement. Where no converter is, a resistor pulls the line up: 0xFF.
 */
#ifndef STATION_TWO_INPUTS_H
#define STATION_TWO_INPUTS_H

#include <stdint.h>

/* Reads both, the first one first; TAUTPOINT_MISSING for one that is not new. */
void two_inputs_read(int32_t *counts);

#endif
