// SPDX-License-Identifier: MIT
// Two-wire master, polled, every wait bounded: a stuck line is an answer, never a hang.
#include <avr/io.h>
#include "hw_chip.h"

// status codes of a master (data sheet, "Status codes for Master Transmitter/Receiver Mode")
#define START_SENT 0x08
#define RESTART_SENT 0x10
#define ADDRESS_W_TAKEN 0x18
#define BYTE_TAKEN 0x28
#define ADDRESS_R_TAKEN 0x40
#define BYTE_IN_MORE 0x50
#define BYTE_IN_LAST 0x58

#define STEP_LIMIT (300 * TICKS_PER_US)  // one byte takes 23 us, clock stretching included in the rest

#define SDA 4
#define SCL 5
#define BIT_RATE(hz) ((F_CPU / hz - 16) / 2)
static uint8_t rate = BIT_RATE(400000UL);

static uint8_t start_up(void) {
  if (hw_pins_reserved(0x24) || hw_pins_reserved(0x25)) return HW_TWI_REFUSED;
  PORTC |= _BV(SDA) | _BV(SCL);  // weak pull-ups, for a bus without its own
  TWSR = 0;
  TWBR = rate;
  return 0;
}

static void pull(uint8_t pin, bool low) {
  if (low) {
    hw_pin_output(pin, false);
  } else {
    hw_pin_input(pin, true);
  }
  hw_wait_us(5);
}

// A part that lost a clock in the middle of a byte it was giving holds SDA low until it gets the rest of them, and the
// ninth (bus specification UM10204, section 3.1.16); a stop ends what it takes for a transfer.
uint8_t hw_twi_begin(bool slowly) {
  rate = slowly ? BIT_RATE(100000UL) : BIT_RATE(400000UL);
  if (start_up()) return 0;
  hw_wait_us(20);
  if (!(PINC & _BV(SCL))) return TWI_LINES_SCL_HELD;
  if (PINC & _BV(SDA)) return 0;
  for (uint8_t n = 0; n < 9 && !(PINC & _BV(SDA)); n++) {
    pull(0x25, true);
    pull(0x25, false);
  }
  pull(0x24, true);
  pull(0x24, false);
  return PINC & _BV(SDA) ? TWI_LINES_SDA_FREED : TWI_LINES_SDA_HELD;
}

// Runs one step of the bus; true when it ends with the status that is wanted.
static bool step(uint8_t control, uint8_t wanted, uint8_t *status) {
  uint32_t from = hw_ticks();
  TWCR = _BV(TWINT) | _BV(TWEN) | control;
  while (!(TWCR & _BV(TWINT))) {
    if (hw_ticks() - from > STEP_LIMIT) {
      *status = HW_TWI_LATE;
      return false;
    }
  }
  *status = TWSR & 0xF8;
  return *status == wanted;
}

static bool send(uint8_t byte, uint8_t wanted, uint8_t *status) {
  TWDR = byte;
  return step(0, wanted, status);
}

static uint8_t finish(bool good, uint8_t status) {
  uint32_t from = hw_ticks();
  if (status != HW_TWI_LATE) {
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO);
    while ((TWCR & _BV(TWSTO)) && hw_ticks() - from < STEP_LIMIT) {
    }
  }
  TWCR = 0;  // lets go of both lines
  return good ? 0 : status;
}

static bool address(uint8_t address_rw, uint8_t begun, uint8_t taken, uint8_t *status) {
  return step(_BV(TWSTA), begun, status) && send(address_rw, taken, status);
}

uint8_t hw_twi_probe(uint8_t a) {
  uint8_t status = start_up();
  if (status) return status;
  bool good = address(a << 1, START_SENT, ADDRESS_W_TAKEN, &status);
  return finish(good, status);
}

uint8_t hw_twi_write(uint8_t a, const uint8_t *data, uint8_t size) {
  uint8_t status = start_up();
  if (status) return status;
  bool good = address(a << 1, START_SENT, ADDRESS_W_TAKEN, &status);
  while (good && size--) good = send(*data++, BYTE_TAKEN, &status);
  return finish(good, status);
}

uint8_t hw_twi_read(uint8_t a, uint8_t reg, uint8_t *data, uint8_t size) {
  uint8_t status = start_up();
  if (status) return status;
  bool good = address(a << 1, START_SENT, ADDRESS_W_TAKEN, &status) && send(reg, BYTE_TAKEN, &status) &&
              address(a << 1 | 1, RESTART_SENT, ADDRESS_R_TAKEN, &status);
  while (good && size--) {
    good = size ? step(_BV(TWEA), BYTE_IN_MORE, &status) : step(0, BYTE_IN_LAST, &status);
    *data++ = TWDR;
  }
  return finish(good, status);
}
