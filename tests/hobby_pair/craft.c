// A craft unit as a hobbyist writes it: LED on D4, servo on D9, motor controller on D10, radio on D6, D7 and SPI.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include "radio.h"

#ifndef SILENCE_MS
#define SILENCE_MS 300
#endif
#ifndef IDLE_US
#define IDLE_US 1000
#endif
#ifndef FRAME_US
#define FRAME_US 20000
#endif
#ifndef SERVO_LEAST
#define SERVO_LEAST 1000
#endif
#ifndef SERVO_MOST
#define SERVO_MOST 2000
#endif
#ifdef RENAMED
#define servo_us rudder_width
#define motor_us thrust_width
#define heard last_packet
#endif

static volatile uint16_t ms;
static volatile uint16_t servo_us = 1500, motor_us = IDLE_US;

ISR(TIMER0_COMPA_vect) { ms++; }

// one pulse after the other, then the rest of the frame; the clock is 2 MHz
ISR(TIMER1_COMPA_vect) {
  static uint8_t step;
  static uint16_t used;
#ifdef LATE_ISR
  static uint16_t dice = 1;
  dice = dice * 25173 + 13849;
  for (uint8_t n = dice >> 10; n; n--) _delay_us(1);
#endif
  uint16_t wait;
  if (step == 0) {
    PORTB |= 1 << 1;
    used = wait = 2 * servo_us;
  } else if (step == 1) {
    PORTB = (PORTB & ~(1 << 1)) | 1 << 2;
    wait = 2 * motor_us;
    used += wait;
  } else {
    PORTB &= ~(1 << 2);
    wait = 2U * FRAME_US - used;
  }
  OCR1A += wait;
  step = step == 2 ? 0 : step + 1;
}

static uint16_t now(void) {
  cli();
  uint16_t t = ms;
  sei();
  return t;
}

static void set(uint16_t servo, uint16_t motor) {
  if (servo < SERVO_LEAST) servo = SERVO_LEAST;
  if (servo > SERVO_MOST) servo = SERVO_MOST;
  cli();
#ifdef REORDERED
  motor_us = motor;
  servo_us = servo;
#else
  servo_us = servo;
  motor_us = motor;
#endif
  sei();
}

static void led(uint8_t on) {
#ifdef SLOW_LED
  static uint16_t last;
  if ((uint16_t)(now() - last) < 50) return;
  last = now();
#endif
  if (on) {
    PORTD |= 1 << 4;
  } else {
    PORTD &= ~(1 << 4);
  }
}

static void act(const uint8_t *data) {
  uint16_t x = data[2] | data[3] << 8, y = data[4] | data[5] << 8;
#ifdef COARSE_MAP
  uint16_t servo = 1000 + (uint32_t)(x >> 4) * 1000 / 63;
#else
  uint16_t servo = 1000 + (uint32_t)x * 1000 / 1023;
#endif
  uint16_t motor = y > 600 ? IDLE_US + (y - 600) / 4 : IDLE_US;
#ifdef REORDERED
  led(data[1]);
  set(servo, motor);
#else
  set(servo, motor);
  led(data[1]);
#endif
}

int main(void) {
  uint8_t data[SIZE];
  uint16_t heard = 0;
  MCUSR = 0;  // or the watchdog cannot be turned off after it has bitten
  wdt_disable();
  DDRD |= 1 << 4;
  DDRB |= 1 << 1 | 1 << 2;
  TCCR0A = 1 << WGM01;
  TCCR0B = 1 << CS01 | 1 << CS00;
  OCR0A = 249;
  TIMSK0 = 1 << OCIE0A;
#ifdef LATE_START_MS
  _delay_ms(LATE_START_MS);
#endif
  TCCR1B = 1 << CS11;
  OCR1A = 1000;
  TIMSK1 = 1 << OCIE1A;
  sei();
  radio_start(1);
#ifdef RESTARTS
  wdt_enable(WDTO_2S);
#endif
  for (;;) {
#ifdef BLOCKED_MS
    static uint16_t blocked;
    if ((uint16_t)(now() - blocked) >= 50) {
      _delay_ms(BLOCKED_MS);
      blocked = now();
    }
#endif
    if (radio_receive(data)) {
      act(data);
      heard = now();
    } else {
      sleep_mode();
    }
#ifdef NO_FAILSAFE
    (void)heard;
#else
    if ((uint16_t)(now() - heard) > SILENCE_MS) {
#ifdef MOTOR_GOES_ON
      set(1500, motor_us);
#else
      set(1500, IDLE_US);
#endif
      heard = now() - SILENCE_MS;
    }
#endif
  }
}
