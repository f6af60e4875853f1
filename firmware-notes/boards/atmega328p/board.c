/* ATmega328P at 16 MHz.
 *
 *   PD0 RXD, PD1 TXD        line to the computer; RXD pulled up, so that a plug that is out is no byte
 *   PB0, PB1                bridge converter: data in, clock out
 *   PB2 select, PB3 out, PB4 in, PB5 clock     SPI converter
 *   PD2, PD3                displacement in quadrature
 *   PC0                     analogue displacement
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "../../station/board.h"
#include "../../station/config.h"
#include "../../station/displacement.h"
#include "../../station/sampling.h"

#define TICKS_PER_US 2u
#ifdef SOURCE_BRIDGE
/* The timer only counts: each millisecond. */
#define TURN_US 1000UL
#else
#define TURN_US PERIOD_US
#endif
#if TURN_US * TICKS_PER_US > 65536
#error "the timer has 16 bits: RATE_HZ must be 31 or more"
#endif
/* Twice the speed, half the steps: 16 MHz gives 250,000, 500,000 and 1,000,000 baud exactly, 115,200 within 2.1 %. */
#define UBRR_VALUE ((F_CPU + BAUD * 4UL) / (BAUD * 8UL) - 1UL)
#if !BAUD_IS_NEAR(F_CPU / (8UL * (UBRR_VALUE + 1UL)))
#error "this speed is more than 2.5 % off at 16 MHz: BAUD=250000, 500000 or 1000000 is exact"
#endif
/* Bytes that the line's receiver keeps. */
#define HEARD_AT_ONCE 2u

/* How the controller must be set, by its data sheet: a crystal of 8 to 16 MHz with the longest start (CKSEL 1111, SUT 11), its clock
 * not divided by 8 (CKDIV8 off), programming by SPI on, and a brown-out reset at 4.3 V (BODLEVEL 100), since 16 MHz need 3.8 V. A new
 * one divides its internal oscillator of 8 MHz by 8 and has no brown-out reset at all. Bytes 0xFF, 0xD9, 0xFC. */
FUSES = {.low = 0xFF, .high = HFUSE_DEFAULT, .extended = FUSE_BODLEVEL0 & FUSE_BODLEVEL1};

static struct station *station;
static volatile uint32_t turn_us = FIRST_TIME_US;

/* After a reset by the watchdog it still runs, and faster than the start takes: off before anything else. MCUSR is 0 first, or it
 * cannot be switched off. */
__asm__(".section .init3,\"ax\",@progbits\n\t"
        "out 0x34, r1\n\t"
        "wdr\n\t"
        "ldi r24, 0x18\n\t"
        "sts 0x60, r24\n\t"
        "sts 0x60, r1\n\t"
        ".text");

/* With interrupts off. A turn that is over but not yet counted is in the timer's flag. */
static inline uint32_t now_us(void)
{
    uint16_t ticks = TCNT1;

    if ((TIFR1 & _BV(OCF1A)) && ticks < TURN_US * TICKS_PER_US / 2u) {
        return turn_us + TURN_US + ticks / TICKS_PER_US;
    }
    return turn_us + ticks / TICKS_PER_US;
}

uint32_t board_time_us(void)
{
    uint8_t flags = SREG;
    uint32_t now;

    cli();
    now = now_us();
    SREG = flags;
    return now;
}

/* What the computer says is looked at once a turn, as much of it as the receiver keeps: `?` and its line feed. More is lost, and may
 * be: an interrupt for each byte would leave nothing of the processor in a flood. */
static inline void hear(void)
{
    uint8_t i;

    for (i = 0; i < HEARD_AT_ONCE && (UCSR0A & _BV(RXC0)); i++) {
        station_heard(station, UDR0);
    }
}

ISR(TIMER1_COMPA_vect)
{
#ifdef SOURCE_BRIDGE
    turn_us += TURN_US;
    hear();
#else
    uint32_t now = turn_us + TURN_US;

    turn_us = now;
    sampling_tick(station, now);
    hear();
#endif
}

/* ---- Line */

ISR(USART_UDRE_vect)
{
    uint8_t byte;

    if (station_next_byte(station, &byte)) {
        UDR0 = byte;
    } else {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    }
}

void board_send(void)
{
    uint8_t flags = SREG;

    /* The interrupt changes the same register. */
    cli();
    UCSR0B |= _BV(UDRIE0);
    SREG = flags;
}

/* ---- Displacement */

#ifdef DISPLACEMENT_QUADRATURE

static struct quadrature way;

static inline uint8_t lines(void)
{
    return (uint8_t)((PIND >> 2) & 3u);
}

ISR(INT0_vect)
{
    quadrature_changed(&way, lines());
}

ISR(INT1_vect, ISR_ALIASOF(INT0_vect));

static void begin_displacement(void)
{
    EICRA = _BV(ISC00) | _BV(ISC10);
    PORTD |= _BV(PORTD2) | _BV(PORTD3);
    quadrature_begin(&way, lines());
    EIMSK = _BV(INT0) | _BV(INT1);
}

/* What an interrupt keeps, in a few cycles, and what is made of it outside. */
typedef int32_t latch;

static inline latch displacement(void)
{
    return quadrature_take(&way);
}

static int32_t of_latch(const latch *kept)
{
    return *kept;
}

#elif defined DISPLACEMENT_ANALOGUE

static struct analogue level;

ISR(ADC_vect)
{
    analogue_add(&level, ADC);
}

/* The supply as reference, which feeds the sensor too; one conversion after the other, 9,615 a second. */
static void begin_displacement(void)
{
    DIDR0 = _BV(ADC0D);
    ADMUX = _BV(REFS0);
    ADCSRB = 0;
    ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADATE) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
}

typedef struct analogue latch;

static inline latch displacement(void)
{
    latch kept = level;

    level.sum = 0;
    level.number = 0;
    return kept;
}

/* The division takes 50 µs: never in an interrupt. */
static int32_t of_latch(latch *kept)
{
    return analogue_take(kept);
}

#else

static void begin_displacement(void)
{
}

typedef uint8_t latch;

static inline latch displacement(void)
{
    return 0;
}

static int32_t of_latch(const latch *kept)
{
    (void)kept;
    return TAUTPOINT_MISSING;
}

#endif

int32_t board_displacement(void)
{
    uint8_t flags = SREG;
    latch now;

    cli();
    now = displacement();
    SREG = flags;
    return of_latch(&now);
}

/* ---- Converters */

#ifdef SOURCE_BRIDGE

static volatile uint8_t ready;
static volatile uint32_t ready_us;
/* Written by the interrupt only while `ready` is 0, read only while it is 1. */
static latch ready_displacement;

static inline void conversion_is_ready(void)
{
    ready_us = now_us();
    ready_displacement = displacement();
    ready = 1;
}

/* The sampling interrupt: time and displacement of the moment at which the conversion was there. */
ISR(PCINT0_vect)
{
    if (!(PINB & _BV(PINB0)) && !ready) {
        conversion_is_ready();
    }
}

uint8_t board_bridge_ready(uint32_t *time_us)
{
    if (!ready) {
        return 0;
    }
    *time_us = ready_us;
    return 1;
}

int32_t board_displacement_when_ready(void)
{
    return of_latch(&ready_displacement);
}

void board_bridge_listen(uint8_t on)
{
    uint8_t flags = SREG;

    cli();
    if (on) {
        PCIFR = _BV(PCIF0);
        ready = 0;
        PCMSK0 = _BV(PCINT0);
        if (!(PINB & _BV(PINB0))) {
            conversion_is_ready();
        }
    } else {
        PCMSK0 = 0;
    }
    SREG = flags;
}

uint8_t board_bridge_pulse(void)
{
    uint8_t flags = SREG;
    uint8_t data;

    cli();
    PORTB |= _BV(PORTB1);
    /* The bit is there 0.1 µs after the clock rose: two cycles are enough, this takes more. */
    __asm__ __volatile__("nop\n\tnop\n\tnop\n\tnop");
    data = PINB & _BV(PINB0);
    PORTB &= (uint8_t)~_BV(PORTB1);
    SREG = flags;
    return data;
}

uint8_t board_bridge_data(void)
{
    return PINB & _BV(PINB0);
}

static void begin_converter(void)
{
    DDRB |= _BV(DDB1);
    /* Without a converter the line stays high: never ready. */
    PORTB |= _BV(PORTB0);
    PCICR = _BV(PCIE0);
}

#else

void board_select(uint8_t on)
{
    if (on) {
        PORTB &= (uint8_t)~_BV(PORTB2);
    } else {
        PORTB |= _BV(PORTB2);
    }
}

uint8_t board_exchange(uint8_t byte)
{
    SPDR = byte;
    while (!(SPSR & _BV(SPIF))) {
    }
    return SPDR;
}

static void begin_converter(void)
{
    PORTB |= _BV(PORTB2) | _BV(PORTB4);
    DDRB |= _BV(DDB2) | _BV(DDB3) | _BV(DDB5);
    SPCR = _BV(SPE) | _BV(MSTR);
    /* 4 MHz. */
    SPSR = 0;
}

#endif

/* ---- All together */

void board_begin(struct station *s)
{
    station = s;
    begin_converter();
    begin_displacement();
#ifdef SOURCE_SPI
    two_inputs_begin();
#endif
    UCSR0A = _BV(U2X0);
    UBRR0 = (uint16_t)UBRR_VALUE;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    PORTD |= _BV(PORTD0);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    TCCR1A = 0;
    OCR1A = (uint16_t)(TURN_US * TICKS_PER_US - 1UL);
    TIMSK1 = _BV(OCIE1A);
    TCCR1B = _BV(WGM12) | _BV(CS11);
    wdt_enable(WDTO_500MS);
    sei();
}

/* Comes back at once: the watch for the next conversion and for bytes to send costs nothing that a mains supply or a battery of
 * a day would notice, and waking takes cycles from the stamps. */
void board_idle(void)
{
}

void board_alive(void)
{
    wdt_reset();
}
