/* One ATmega328P: the simulator library's instruction core and interrupt table, with peripherals of our own where
 * the library's differ from the data sheet (Atmel 7810D) in timing, flags or status codes.
 *
 * Times are in cycles of the chip's own clock. Inside a timer callback `avr->cycle` is the exact instant at which the
 * event is due, also when the instruction being executed is longer; inside a register write it is the write's cycle.
 */
#ifndef BENCHCTL_SHIM_H
#define BENCHCTL_SHIM_H

#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_twi.h>
#include <simavr/avr_uart.h>
#include <simavr/avr_watchdog.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_core.h>
#include <simavr/sim_io.h>

enum { PORTS = 3, PINS = PORTS * 8, NO_PIN = 255 };  /* pin = port * 8 + bit; ports B, C, D are 0, 1, 2 */
enum { LINE_LOW, LINE_HIGH, LINE_FLOATS, LINE_PULLED_DOWN, LINE_PULLED_UP, LINE_RESTS_LOW, LINE_RESTS_HIGH };
enum { WATCH_PYTHON = 1, WATCH_WIRE = 2, WATCH_CSN = 4, WATCH_DRIVE = 8 };
enum { DRIVES_LOW, DRIVES_HIGH, INPUT, INPUT_PULLED_UP };  /* what the chip does with a pin */
enum { UART_RING = 1 << 14, EDGE_RING = 1 << 12, SPI_LONGEST = 64 };

/* data addresses of registers, data sheet "Register Summary" */
enum {
    r_PINB = 0x23, r_TIFR0 = 0x35, r_TIFR1, r_TIFR2, r_PCIFR = 0x3B, r_EIFR, r_EIMSK, r_EECR = 0x3F, r_EEDR, r_EEARL,
    r_EEARH, r_SPCR = 0x4C, r_SPSR, r_SPDR, r_SMCR = 0x53, r_MCUSR, r_SPMCSR = 0x57, r_WDTCSR = 0x60, r_PCICR = 0x68, r_EICRA, r_PCMSK0 = 0x6B, r_TIMSK0 = 0x6E,
    r_TIMSK1, r_TIMSK2, r_ADCL = 0x78, r_ADCH, r_ADCSRA, r_ADCSRB, r_ADMUX, r_TWBR = 0xB8, r_TWSR, r_TWAR, r_TWDR,
    r_TWCR, r_UCSR0A = 0xC0, r_UCSR0B, r_UCSR0C, r_UBRR0L = 0xC4, r_UBRR0H, r_UDR0
};
enum { f_PORF = 1, f_EXTRF = 2, f_BORF = 4, f_WDRF = 8 };  /* MCUSR */
enum { WANT_HOLD = 256 };

typedef struct chip chip;

typedef struct { double start; uint8_t byte; } line_byte;     /* a byte on its way to the chip */
typedef struct { uint64_t at; uint8_t byte; } out_byte;       /* a byte from the chip, at the end of its stop bit */
typedef struct { uint64_t at; uint8_t pin, line; } edge;      /* a level due on an input */
typedef struct { chip *to; uint8_t from, pin; } wire;

typedef struct {
    avr_int_vector_t *received, *sent, *empty;
    uint8_t fifo[2], framing[2], in_fifo;
    uint8_t receiving, overrun;
    uint8_t shifting, has_next, shift, next;
    uint64_t sent_at;
    double line_bit, line_free;              /* the host's bit, in cycles; when its line is free again */
    line_byte in[UART_RING];
    out_byte out[UART_RING];
    uint32_t in_head, in_tail, out_head, out_tail;
    uint32_t lost_out, overruns, framing_errors;
} uart;

typedef struct {
    avr_int_vector_t *done;
    uint8_t selected, per_byte, got_command, answer_size;
    uint8_t answer[SPI_LONGEST], got[SPI_LONGEST];
    uint32_t got_size;
    uint8_t out, in, status, busy;
    uint64_t bytes;
} spi;

typedef struct {
    avr_int_vector_t *done;
    uint8_t state, action;
} twi;

typedef struct {
    avr_int_vector_t *compare[2], *overflow, *capture;
    uint8_t wide, tccra, tccrb, tcnt, icr, ocr[2], oc_pin[2], tifr, timsk, number;  /* addresses; OC pins */
    uint16_t max, top, ocr_now[2], captured;
    uint8_t mode, kind, level[2], temp;
    uint32_t divider;
    uint64_t origin, base_tick, next_tick;   /* prescaler phase; tick at which `count` held; of the next event */
    uint16_t count;
    int8_t down;
} timer;

typedef struct {
    avr_int_vector_t *done;
    uint8_t first, locked;
    uint16_t sampled;
    double volts[17], aref;
    uint32_t from_python;
} adc;

struct chip {
    avr_t *avr;
    void *user;                              /* handle of the Python object */
    struct group *group;
    int held;                                /* reset line low or no supply */
    int stepping, wanted;                    /* inside a step; the hold or release asked for meanwhile */
    uint64_t held_until;                     /* still starting up */
    uint64_t start_delay, fence_at;
    uint64_t c0; double t0, rate;            /* cycle c0 is at time t0 s; rate in cycles/s */
    int crashed; uint32_t crash_pc;          /* an instruction or an address that does not exist */
    uint32_t eeprom_writes; avr_eeprom_t *eeprom;
    uint8_t line[PINS], level[PINS], watch[PINS], driven[PINS];  /* driven: DRIVES_LOW … */
    uint32_t resets[4];
    avr_run_t plain_run;
    avr_int_vector_t *pin_change[PORTS], *external[2];
    edge edges[EDGE_RING];
    uint32_t edge_count;
    wire wires[16]; int wire_count;
    uint8_t row[4], signature[6], beneath[6]; uint64_t row_until;  /* fuses and lock; what LPM reads instead of flash */
    avr_io_write_t write_spmcsr, write_wdtcsr; void *spmcsr_param, *wdtcsr_param;  /* the library's own */
    uart uart; spi spi; twi twi; timer timers[3]; adc adc;
};

typedef struct group {
    chip *chips[4]; int count;
    double now, horizon, slice;
    double gather;                           /* by then the bytes that chips have sent are to be fetched */
    int stop, frame_ended;
    chip *running;
} group;

/* in the order of the files that define them */
void later(chip *c, uint64_t in, avr_cycle_timer_t f);
void set_flag(chip *c, avr_int_vector_t *v);
void clear_flag(chip *c, avr_int_vector_t *v);
uint8_t written_bits(chip *c, uint8_t v);
uint64_t cycle_of(const chip *c, double t);
double time_of(const chip *c, uint64_t cycle);
void hook(chip *c, int reg, avr_io_write_t w, avr_io_read_t r);
void *module(chip *c, const char *kind, char name);

void pins_init(chip *c);
void pins_reset(chip *c);
void pins_update(chip *c, int pin);
void edges_until(chip *c, uint64_t cycle);

void timers_init(chip *c);
void timers_reset(chip *c);
void timer_capture(chip *c, int level);
int timer_pin(const chip *c, int pin);       /* level that a compare output gives this pin, or -1 */

void uart_init(chip *c);
void uart_reset(chip *c);
void uart_drop_until(chip *c, uint64_t cycle);

void buses_init(chip *c);
void buses_reset(chip *c);
void spi_select(chip *c, int level);

void analog_init(chip *c);
void analog_reset(chip *c);

void row_init(chip *c);
void row_reset(chip *c);

#define CHIP(p) ((chip *)(p))

/* calls into Python; cycle counts, the chip by its handle */
extern void shim_on_pin(void *user, int pin, int level, uint64_t cycle);
extern void shim_on_drive(void *user, int pin, int what, uint64_t cycle);
extern int shim_on_spi_select(void *user, uint64_t cycle);
extern int shim_on_spi_command(void *user, int byte, uint64_t cycle);
extern void shim_on_spi_finish(void *user, uint64_t cycle);
extern int shim_on_spi_byte(void *user, int byte, uint64_t cycle);
extern int shim_on_twi_start(void *user, int address, int reading, uint64_t cycle);
extern int shim_on_twi_write(void *user, int byte, uint64_t cycle);
extern int shim_on_twi_read(void *user, int acknowledge, uint64_t cycle);
extern void shim_on_twi_stop(void *user, uint64_t cycle);
extern double shim_on_adc(void *user, int channel, uint64_t cycle);
extern void shim_on_reset(void *user, int flag, uint64_t cycle);

#endif
