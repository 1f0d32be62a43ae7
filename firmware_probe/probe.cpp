// SPDX-License-Identifier: MIT
#include "probe.h"
#include "board.h"
#include "control_loop.h"
#include "controls.h"
#include "dispatch.h"
#include "frame.h"
#include "imu.h"
#include "life.h"
#include "link.h"
#include "measure.h"
#include "outputs.h"
#include "relay.h"
#include "settings.h"
#include "stimulus.h"
#include "supply.h"

#define NAP (100 * TICKS_PER_MS)  // the longest sleep; the millisecond interrupt ends it much earlier

static FrameDecoder decoder;
static uint8_t pending;        // length of a request that waits for room for its answer
static bool by_air;            // bytes of the frame that is being taken in came over the air
static uint32_t wake;
static bool wake_set;
static uint16_t late_us;

void wake_at(uint32_t tick) {
  if (!wake_set || (int32_t)(tick - wake) < 0) wake = tick;
  wake_set = true;
}

bool not_yet(uint32_t tick) {
  if ((int32_t)(hw_ticks() - tick) >= 0) return false;
  wake_at(tick);
  return true;
}

uint16_t probe_late_us(void) { return late_us; }

uint8_t probe_taken(void) {
  uint8_t taken = 0;
  if (!GAUGE && (radio_busy() || loop_uses_radio() || measure_uses_radio())) taken |= USES_RADIO;
  if (measure_uses_adc() || (!GAUGE && loop_uses_adc())) taken |= USES_ADC;
  if (HW_WHOLE && imu_busy()) taken |= USES_TWI;
  if (led_busy()) taken |= USES_LED;
  return taken;
}

void hw_on_ms(uint32_t now) {
  if (!GAUGE) outputs_tick(now);
  life.uptime_ms++;
  if (life.loop_age_ms != 0xFF) life.loop_age_ms++;
}

void probe_start(void) {
  life_start();  // before any interrupt counts on in the old life's record
  hw_start();
  board_start();
  hw_uart_start(settings.baud_code);
  frame_reset(&decoder);
  hw_uart_stage(0);  // ends the frame that the last life may have left unfinished
  send_boot();
}

bool probe_pending(void) { return pending; }

void probe_feed(const uint8_t *bytes, uint8_t size) {
  while (size-- && !pending) {
    by_air = true;
    pending = frame_feed(&decoder, *bytes++);
  }
}

static bool room_for_answer(void) { return hw_uart_room() >= FRAME_ROOM_ANSWER; }

// At most one request a turn, so that nothing else waits for long.
static void poll_serial(void) {
  uint8_t byte;
  if (pending && !room_for_answer()) return;
  while (!pending && hw_uart_get(&byte)) {
    pending = frame_feed(&decoder, byte);
    if (byte == 0 && !pending) by_air = false;
  }
  if (!pending) return;
  if (!room_for_answer()) return event_flush();
  hw_uart_divert(by_air);  // the answer goes where the request came from
  if (dispatch(decoder.body, pending, by_air)) {
    pending = 0;
    by_air = false;
  }
  wake_at(hw_ticks());
}

static void note_lateness(uint32_t began) {
  uint32_t took = (hw_ticks() - began) / TICKS_PER_US;
  if (took > late_us) late_us = took > 0xFFFF ? 0xFFFF : took;
}

// What can wait for some milliseconds while packets fly.
#define REST_MS 5
static void poll_rest(void) {
  static uint8_t last_ms;
  uint8_t ms = (uint8_t)hw_ms();
  if (!GAUGE && link_busy() && (uint8_t)(ms - last_ms) < REST_MS) return;
  last_ms = ms;
  if (!GAUGE) {
    radio_poll();
    if (HW_WHOLE) relay_poll();
    loop_poll();
    stimulus_poll();
  }
  measure_poll();
  if (HW_WHOLE) imu_poll();
  outputs_poll();
  supply_poll();
  board_poll();
  event_poll(hw_ticks());
}

static void watch_over_stack(void) {
  if (hw_stack_sound()) return;
  life.intent = INTENT_STACK;
  hw_restart(settings.loader_loops);
}

void probe_poll(void) {
  hw_active();
  wake_set = false;
  if (!GAUGE) link_poll();
  if (hw_edge_waiting()) controls_fast();
  if (!GAUGE) loop_fast();
  uint32_t began = hw_ticks();
  if (GAUGE || !link_tight()) {
    poll_serial();
    poll_rest();
  }
  life.loop_age_ms = 0;
  if (!GAUGE) outputs_loop_alive();
  hw_watchdog_kick();
  watch_over_stack();
  note_lateness(began);
  if (!GAUGE) stimulus_last();
  hw_sleep_until(wake_set ? wake : began + NAP);
}
