// A pair of ordinary sketches with the probe in them: joystick on A0 and A1, push button on D3; servo on D9, LED on D4;
// radio on D6, D7 and SPI. The lines that begin with or hold PROBE_ are all that the probe needs.
// CRAFT 0 is the hand unit, CRAFT 1 the craft.
#ifndef CRAFT
#define CRAFT 0
#endif
#include <avr/interrupt.h>
#include <avr/io.h>
#include "probe_mark.h"
#define SIZE 7  // number (2), button, x (2), y (2)
#include "radio.h"

static volatile uint16_t ms;
ISR(TIMER0_COMPA_vect) { ms++; }

static uint16_t now() {
  cli();
  uint16_t t = ms;
  sei();
  return t;
}

static void start_clocks() {
  TCCR0A = 1 << WGM01;
  TCCR0B = 1 << CS01 | 1 << CS00;
  OCR0A = 249;
  TIMSK0 = 1 << OCIE0A;
  TCCR1A = 0;
  TCCR1B = 1 << CS11;  // 2 MHz
  sei();
}

#if !CRAFT  // ------------------------------------------------------------ hand unit

#define SEND_MS 20
#define DEBOUNCE_MS 10

static uint16_t analog(uint8_t channel) {
  ADMUX = 1 << REFS0 | channel;
  ADCSRA |= 1 << ADSC;
  while (ADCSRA & 1 << ADSC) {
  }
  return ADC;
}

void setup() {
  PORTD |= 1 << 3;
  ADCSRA = 1 << ADEN | 7;
  start_clocks();
  radio_start(0);
  PROBE_BEGIN(PROBE_HAND, "");
}

static void send(uint8_t pressed) {
  static uint16_t number;
  uint16_t x = PROBE_STICK(0, analog(0)), y = PROBE_STICK(1, analog(1));
  uint8_t data[SIZE] = {(uint8_t)number, (uint8_t)(number >> 8), pressed,         (uint8_t)x,
                        (uint8_t)(x >> 8), (uint8_t)y,           (uint8_t)(y >> 8)};
  PROBE_QUEUED(number);
  radio_send(data);
  PROBE_SENT(number);
  number++;
}

void loop() {
  static uint8_t seen, pressed;
  static uint16_t since, last_sent;
  if (PROBE_POLL()) return;
  uint16_t t = now();
  uint8_t down = !(PIND & 1 << 3), changed = 0;
  if (down != seen) {
    seen = down;
    since = t;
    PROBE_SWITCH(!down);
  }
  if (seen != pressed && (uint16_t)(t - since) >= DEBOUNCE_MS) {
    pressed = seen;
    changed = 1;
    PROBE_DECIDED(!pressed);
  }
  if (changed || (uint16_t)(t - last_sent) >= SEND_MS) {
    last_sent = t;
    send(pressed);
  }
}

#else  // ------------------------------------------------------------ craft

#define SILENCE_MS 300

static volatile uint16_t servo_us = 1500, motor_us = 1000;

// one pulse after the other, then the rest of the frame of 20 ms
ISR(TIMER1_COMPA_vect) {
  static uint8_t step;
  static uint16_t used;
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
    wait = 40000U - used;
  }
  OCR1A += wait;
  step = step == 2 ? 0 : step + 1;
}

static void set(uint16_t servo, uint16_t motor) {
  cli();
  servo_us = servo;
  motor_us = motor;
  sei();
}

void setup() {
  DDRD |= 1 << 4;
  DDRB |= 1 << 1 | 1 << 2;
  start_clocks();
  OCR1A = TCNT1 + 1000;
  TIMSK1 |= 1 << OCIE1A;
  radio_start(1);
  PROBE_BEGIN(PROBE_CRAFT, "");
}

static void act(const uint8_t *data) {
  if (data[2]) {
    PORTD |= 1 << 4;
  } else {
    PORTD &= ~(1 << 4);
  }
  PROBE_LED(data[2]);
  uint16_t x = data[3] | data[4] << 8, y = data[5] | data[6] << 8;
  uint16_t servo = 1000 + (uint32_t)x * 1000 / 1023;
  set(servo, y > 600 ? 1000 + (y - 600) / 4 : 1000);
  PROBE_PULSE(servo);
}

void loop() {
  static uint16_t heard;
  uint8_t data[SIZE];
  if (PROBE_POLL()) return set(1500, 1000);
  if (radio_receive(data)) {
    PROBE_RECEIVED(data[0] | data[1] << 8);
    act(data);
    heard = now();
  }
  if ((uint16_t)(now() - heard) > SILENCE_MS) {
    set(1500, 1000);
    heard = now() - SILENCE_MS;
  }
}

#endif
