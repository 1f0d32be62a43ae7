// SPDX-License-Identifier: MIT
// Droop is sampled in equivalent time: the load is switched anew for every conversion, and the conversion begins a
// stated delay after it. The sample is held 1.5 converter clocks after the start; while the reference itself moves
// (the processor's own rail by the band-gap) the reading is a mean over the 13 clocks of the conversion.
#include "measure.h"
#include <string.h>
#include "board.h"
#include "controls.h"
#include "dispatch.h"
#include "frame.h"
#include "handlers.h"
#include "nrf24.h"
#include "outputs.h"
#include "probe.h"
#include "settings.h"

#define PRESCALER_LEAST 4
#define PRESCALER_MOST 7
#define SETTLE_TICKS TICKS_PER_MS  // after a change of the multiplexer; the band-gap's buffer is weak

static uint8_t channel_of(uint8_t source) {
  static const uint8_t functions[] HW_FLASH = {0,              FUNCTION_SENSE_RAIL, FUNCTION_JOY_X,
                                               FUNCTION_JOY_Y, FUNCTION_SENSE_VCC1, FUNCTION_SENSE_VCC2};
  uint8_t function;
  if (source == ADC_SOURCE_BAND_GAP) return HW_ADC_BAND_GAP;
  hw_flash_read(&function, &functions[source], 1);
  return hw_adc_channel(settings.pins[function]);
}

static uint8_t check(uint8_t source, uint8_t prescaler) {
  if (source >= ADC_SOURCE_COUNT || prescaler < PRESCALER_LEAST || prescaler > PRESCALER_MOST) return ERROR_VALUE;
  return channel_of(source) == HW_ADC_NONE ? (uint8_t)ERROR_PIN : 0;
}

static void hand_back(void) { hw_adc_select(HW_ADC_BAND_GAP, hw_adc_precise()); }

// ---------------------------------------------------------------- plain readings

#define COUNT_MOST 1024
struct Run {
  bool first, converting;
  Later to;
  uint16_t wanted, start;
  uint32_t gap, due;
  msg_adc_answer sums;
};

struct Droop {
  uint8_t load, repeats, repeat;
  uint16_t point, points, sum, baseline;
  uint32_t first, step, settle, due;
};

struct Stick {
  bool second;
  uint8_t channel[2];
  uint16_t n, count, x;
  uint32_t interval, due;
};

// One at a time.
static enum { IDLE, STREAMING, RUNNING, DROOP_BASELINE, DROOP_SETTLE, DROOP_LOADED, DROOP_ENDING } phase;
static union {
  Run run;
  Droop droop;
  Stick stick;
} task;
static Run &run = task.run;
static Droop &d = task.droop;
static Stick &stick = task.stick;

uint8_t on_adc(const Request &r) {
  const msg_adc &m = *(const msg_adc *)r.fields;
  uint8_t error = check(m.source, m.prescaler);
  if (error) return error;
  if (m.count == 0 || m.count > COUNT_MOST) return ERROR_VALUE;
  memset(&run, 0, sizeof run);
  phase = RUNNING;
  run.first = true;
  run.to = later(r);
  run.wanted = m.count;
  run.gap = m.gap_us * TICKS_PER_US;
  run.due = hw_ticks() + SETTLE_TICKS;
  run.sums.low = 0xFFFF;
  hw_adc_select(channel_of(m.source), m.prescaler);
  return ANSWERED;
}

static void add(uint16_t reading) {
  msg_adc_answer &s = run.sums;
  if (s.count++ == 0) run.start = reading;
  int16_t distance = reading - run.start;
  s.sum += reading;
  s.square += (uint32_t)((int32_t)distance * distance);
  if (reading < s.low) s.low = reading;
  if (reading > s.high) s.high = reading;
}

// The first conversion after a change of the multiplexer is thrown away.
static void poll_run(void) {
  if (phase != RUNNING) return;
  uint32_t now = hw_ticks();
  if (run.converting) {
    if (!hw_adc_done()) return wake_at(now + 20 * TICKS_PER_US);
    run.converting = false;
    if (!run.first) add(hw_adc_value());
    run.first = false;
    if (run.sums.count == run.wanted) {
      phase = IDLE;
      hand_back();
      return answer_later(run.to, &run.sums, sizeof run.sums);
    }
  }
  if (not_yet(run.due)) return;
  run.due += run.gap;
  if ((int32_t)(now - run.due) > 0) run.due = now;
  run.converting = true;
  hw_adc_begin();
  wake_at(now + 20 * TICKS_PER_US);
}

// ---------------------------------------------------------------- joystick stream

#define STICK_LEAST_US 300  // two conversions of 104 us, and the loop around them

uint8_t on_stick_stream(const Request &r) {
  const msg_stick_stream &m = *(const msg_stick_stream *)r.fields;
  if (m.count == 0 || m.interval_us < STICK_LEAST_US) return ERROR_VALUE;
  uint8_t x = stick_channel(FUNCTION_JOY_X), y = stick_channel(FUNCTION_JOY_Y);
  if (x == HW_ADC_NONE || y == HW_ADC_NONE) return ERROR_PIN;
  phase = STREAMING;
  stick.second = false;
  stick.channel[0] = x;
  stick.channel[1] = y;
  stick.n = 0;
  stick.count = m.count;
  stick.interval = m.interval_us * TICKS_PER_US;
  stick.due = hw_ticks();
  hw_adc_select(x, hw_adc_precise());
  hw_adc_begin();
  return HANDLED;
}

static void stick_row(uint32_t now, uint16_t y) {
  msg_stick_rows head = {stick.n, now};
  row_stick_rows row = {stick.x, y};
  event_row_first(MSG_STICK_ROWS, &head, sizeof head, 0, &row, sizeof row);
  if (++stick.n < stick.count) return;
  phase = IDLE;
  event_flush();
  send_done(MSG_STICK_STREAM, 0, stick.n);
}

// x is converted ahead of its time slot's end, y right after it.
static void poll_stick(void) {
  if (phase != STREAMING) return;
  uint32_t now = hw_ticks();
  if (!hw_adc_done()) return wake_at(now + 30 * TICKS_PER_US);
  if (!stick.second) {
    if (not_yet(stick.due)) return;
    stick.x = hw_adc_value();
  } else {
    stick_row(stick.due, hw_adc_value());
    stick.due += stick.interval;
    if ((int32_t)(now - stick.due) > 0) stick.due = now;
  }
  stick.second = !stick.second;
  hw_adc_select(stick.channel[stick.second], hw_adc_precise());
  hw_adc_begin();
  wake_at(now + 110 * TICKS_PER_US);
}

// ---------------------------------------------------------------- droop

#define REPEATS_MOST 64    // 64 * 1023 fits the sums
#define NEAR (1000 * TICKS_PER_US)  // busy from there on: a declared measurement, and a turn of the loop is shorter


bool measure_uses_adc(void) { return phase != IDLE; }
bool measure_droops(void) { return phase > RUNNING; }
bool measure_uses_radio(void) { return phase > RUNNING && d.load == LOAD_TRANSMIT; }

uint8_t on_droop(const Request &r) {
  const msg_droop &m = *(const msg_droop *)r.fields;
  uint8_t error = check(m.source, m.prescaler);
  if (error) return error;
  if (m.load >= LOAD_COUNT || m.points == 0 || m.repeats == 0 || m.repeats > REPEATS_MOST) return ERROR_VALUE;
  if (m.first_us + (uint32_t)m.step_us * (m.points - 1) > 50000UL) return ERROR_VALUE;
  if (!load_possible(m.load)) return ERROR_PIN;
  if (!outputs_resting()) return ERROR_GUARDED;
  if (m.load == LOAD_TRANSMIT) {
    if (probe_taken() & USES_RADIO) return ERROR_BUSY;
    nrf_fixed_length(NRF_PAYLOAD_MAX);
    if (!nrf_present() || nrf_apply()) return ERROR_PART;
  }
  memset(&d, 0, sizeof d);
  d.load = m.load;
  d.points = m.points;
  d.repeats = m.repeats;
  d.first = m.first_us * TICKS_PER_US;
  d.step = m.step_us * TICKS_PER_US;
  d.settle = m.settle_ms * TICKS_PER_MS + SETTLE_TICKS;
  phase = DROOP_BASELINE;
  d.due = hw_ticks() + d.settle + NRF_START_MS * TICKS_PER_MS;
  if (m.load != LOAD_TRANSMIT) load_switch(m.load, false, 0);
  hw_adc_select(channel_of(m.source), m.prescaler);
  return HANDLED;
}

static uint16_t convert_at(uint32_t tick) {
  hw_wait_tick(tick);
  hw_adc_begin();
  hw_let_in();
  while (!hw_adc_done()) {
  }
  return hw_adc_value();
}

#define SOON (100 * TICKS_PER_US)  // a conversion before that: nothing may come between it and the load
#define LED_TOLD 6                 // ticks from the LED's edge to its stamp

// Returns when the load came on: for a burst, when CE rose, which is 130 us before the carrier. Leaves interrupts held
// where the conversion comes soon; CE then stays high until it is done.
static uint32_t load_on(uint32_t delay) {
  uint32_t from;
  if (d.load == LOAD_TRANSMIT) {
    nrf_burst_upload();
    hw_hold_moment();
    from = hw_ce_rise();
  } else {
    hw_hold_moment();
    load_switch(d.load, true, d.load == LOAD_SERVO && (d.repeat & 1) ? 0 : 100);
    from = hw_ticks_held() - LED_TOLD;
  }
  if (delay <= SOON) return from;
  hw_let_in();
  if (d.load == LOAD_TRANSMIT) {
    hw_wait_us(8);  // with the above the 10 us that CE must be high
    hw_ce(false);
  }
  return from;
}

static void load_off(void) {
  if (d.load == LOAD_TRANSMIT) {
    hw_ce(false);
    nrf_clear_flags();
  } else {
    load_switch(d.load, false, 0);
  }
}

static void droop_end(void) {
  phase = IDLE;
  hand_back();
  event_flush();
  send_done(MSG_DROOP, 0, d.point);
}

static void next_repeat(void) {
  phase = DROOP_SETTLE;
  d.due = hw_ticks() + d.settle;
  if (++d.repeat < d.repeats) return;
  msg_droop_rows head = {d.point, d.baseline};
  row_droop_rows row = {d.sum};
  event_row_first(MSG_DROOP_ROWS, &head, sizeof head, 0, &row, sizeof row);
  d.repeat = 0;
  d.sum = 0;
  if (++d.point < d.points) return;
  phase = DROOP_ENDING;
  d.due += TICKS_PER_MS;  // at 250 kbps a burst takes 1.4 ms
}

static void take_baseline(uint32_t now) {
  d.baseline += convert_at(now);
  d.due = now + TICKS_PER_MS;
  if (++d.repeat < d.repeats) return;
  d.repeat = 0;
  phase = DROOP_SETTLE;
}

static void take_point(void) {
  d.sum += convert_at(d.due);
  load_off();
  next_repeat();
}

static void apply_load(void) {
  uint32_t delay = d.first + d.step * d.point;
  d.due = load_on(delay) + delay;
  phase = DROOP_LOADED;
  if (delay > NEAR) {
    wake_at(d.due - NEAR);
  } else {
    take_point();
  }
}

static void poll_droop(void) {
  if (phase <= RUNNING) return;
  uint32_t now = hw_ticks(), ready = phase == DROOP_LOADED ? d.due - NEAR : d.due;
  if (not_yet(ready)) return;
  if (phase == DROOP_BASELINE) return take_baseline(now);
  if (phase == DROOP_ENDING) return droop_end();
  if (phase == DROOP_SETTLE) return apply_load();
  if ((int32_t)(now - d.due) < 0) return take_point();
  load_off();  // something held us up: this one does not count
  phase = DROOP_SETTLE;
  d.due = now + d.settle;
}

void measure_poll(void) {
  poll_run();
  if (GAUGE) return;
  poll_stick();
  poll_droop();
}
