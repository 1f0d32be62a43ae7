// SPDX-License-Identifier: MIT
// Marks: stamped and put down in a few cycles by the macros of probe_mark.h, coded and sent in the poll.
#include "probe_mark.h"
#include "frame.h"
#include "handlers.h"
#include "hw_chip.h"
#include "image.h"
#include "life.h"
#include "link.h"
#include "mark_parts.h"
#include "probe.h"
#include "settings.h"
#include "stimulus.h"

Life life;  // the link test's driver counts in it

// ---------------------------------------------------------------- what the sketch calls

// As the macros write it.
struct Mark {
  uint16_t count;
  uint8_t overflows, point;
  uint16_t value;
};
#define POINT_UNCOUNTED 0x80  // an overflow that was not counted yet
#define POINT_PULSE 7         // in microseconds; the host's APPLIED
#define POINT_NONE 0x7F
#define FULL_SCALE 1023

// Two halves in turn: one is filled while the other is told. The last place of a half takes the marks that find no
// room, and all of them while none are wanted; a point there tells that some were lost. No half crosses a page.
#define MARKS 9  // between two polls
struct __attribute__((aligned(64))) Half {
  Mark marks[MARKS], spare;
};
static volatile Half halves[2];
static uint8_t filling;
static const volatile Mark *untold, *filled;  // of the other half
static bool marking;
volatile ProbeMarks probe_marks = {&halves[0].spare, &halves[0].spare + 1};

// What has been filled is to be told; `on`: the other half is filled from now on, else nothing is.
static void turn_over(bool on) {
  volatile Half &half = halves[filling], &other = halves[filling ^= 1];
  other.spare.point = POINT_NONE;
  uint8_t held = hw_hold();
  untold = half.marks;
  filled = marking ? (const volatile Mark *)probe_marks.next : half.marks;
  probe_marks.next = on ? other.marks : &other.spare;
  probe_marks.end = &other.spare + 1;
  hw_release(held);
  if (marking && half.spare.point != POINT_NONE) event_drop();
  marking = on;
}

static struct {
  bool on;
  uint16_t at[2];
} stick;

uint16_t probe_mark_stick(uint8_t axis, uint16_t value) { return stick.on ? stick.at[axis & 1] : value; }

// ---------------------------------------------------------------- marks to the host

static uint32_t packets, missing;
static uint16_t next_number;

static void count(uint8_t point, uint16_t number) {
  if (point != (settings.role ? POINT_RECEIVED : POINT_QUEUED)) return;
  uint16_t gap = number - next_number;
  if (packets && gap < 0x8000) missing += gap;
  next_number = number + 1;
  packets++;
}

// of a frame with one row, beside an answer; rows that wait for their frame to fill take room meanwhile
static bool room_for_row(void) { return hw_uart_room() > FRAME_ROOM_ANSWER + 24; }

static bool tracing;
static uint16_t pulse;  // ticks, as last marked

static void tell_mark(const volatile Mark &m) {
  HwStamp at = {m.count, (uint8_t)(m.point & POINT_UNCOUNTED ? 1 : 0), m.overflows};
  uint8_t point = m.point & (uint8_t)~POINT_UNCOUNTED;
  uint16_t value = m.value;
  if (point == POINT_PULSE) {
    point = POINT_APPLIED;
    value = pulse = value * TICKS_PER_US;
  } else if (point == POINT_APPLIED) {
    value = value != 0;
  }
  count(point, value);
  if (tracing) trace(point, value, hw_stamp_tick(at));
}

static void tell_filled(void) {
  while (untold != filled && (!tracing || room_for_row())) tell_mark(*untold++);
}

static void tell_marks(void) {
  tell_filled();
  if (!marking || untold != filled) return;
  turn_over(true);
  tell_filled();
}

uint8_t on_loop_start(const Request &r) {
  const msg_loop_start &m = *(const msg_loop_start *)r.fields;
  if (m.trace > 1) return ERROR_VALUE;
  if (link_busy()) return ERROR_BUSY;
  tracing = m.trace;
  packets = missing = 0;
  turn_over(false);  // of a loop before nothing is told any more
  filled = untold;
  turn_over(true);
  return HANDLED;
}

uint8_t on_loop_stop(const Request &r) {
  tell_marks();
  if (marking) turn_over(false);
  tell_filled();
  msg_loop_stop_answer a = {packets, missing, 0};
  answer(r, &a, sizeof a);
  return ANSWERED;
}

uint8_t on_stick_set(const Request &r) {
  const msg_stick_set &m = *(const msg_stick_set *)r.fields;
  if (m.on > 1 || m.x > FULL_SCALE || m.y > FULL_SCALE) return ERROR_VALUE;
  stick.at[0] = m.x;
  stick.at[1] = m.y;
  stick.on = m.on;
  return HANDLED;
}

// ---------------------------------------------------------------- pulses

uint8_t on_pulse_read(const Request &r) {
  msg_pulse_read_answer a = {pulse, (uint16_t)(settings.frame_us * TICKS_PER_US), PULSE_KIND_SERVO};
  answer(r, &a, sizeof a);
  return ANSWERED;
}

uint8_t on_capture(const Request &r) {
#if PROBE_CAPTURE
  hw_capture(((const msg_capture *)r.fields)->on);
  return HANDLED;
#else
  (void)r;
  return ERROR_PIN;
#endif
}

static void tell_captures(void) {
#if PROBE_CAPTURE
  HwCapture c;
  while (room_for_row() && hw_capture_take(&c)) {
    row_captured row = {c.rise, c.width};
    event_row(MSG_CAPTURED, nullptr, 0, &row, sizeof row);
  }
#endif
}

// ---------------------------------------------------------------- the poll

static FrameDecoder decoder;
static uint8_t pending;  // length of a request that waits for room for its answer
static bool begun;

static void poll_serial(void) {
  uint8_t byte;
  if (!begun) frame_reset(&decoder);
  begun = true;
  while (!pending && hw_uart_get(&byte)) pending = frame_feed(&decoder, byte);
  if (!pending) return;
  if (hw_uart_room() < FRAME_ROOM_ANSWER) return event_flush();
  if (dispatch(decoder.body, pending)) pending = 0;
}

static void serve(void) {
  poll_serial();
  tell_marks();
  tell_captures();
  stimulus_poll();
  event_poll(hw_ticks());
  stimulus_last();
}

// A link test is paced by the poll: it stays here while one is on, but never for long.
#define LENT_TURN (4 * TICKS_PER_MS)

uint8_t probe_mark_poll(void) {
  serve();
  uint32_t until = hw_ticks() + LENT_TURN;
  while (link_busy() && (int32_t)(until - hw_ticks()) > 0) {
    link_poll();
    if (!link_tight()) serve();
  }
  mark_radio_back();
  if (!marking && !link_busy()) image_step();
  return link_busy();
}

// What the link test asks of the probe's main loop: here it is polled at every turn anyway.
void wake_at(uint32_t) {}
bool not_yet(uint32_t tick) { return (int32_t)(hw_ticks() - tick) < 0; }
