// SPDX-License-Identifier: MIT
#include "dispatch.h"
#include "handlers.h"
#include "probe.h"

struct DispatchRow {
  uint8_t type;
  uint8_t size;   // of the fields
  uint8_t rules;  // TAIL, and each Resource that must be free
  Handler handler;
};

static uint8_t __attribute__((unused)) unknown(const Request &) { return ERROR_UNKNOWN; }

static const DispatchRow table[] HW_FLASH = {
    HANDLERS_BOARD,
#if GAUGE
    HANDLERS_GAUGE,
#else
    HANDLERS_RADIO,
    HANDLERS_OUTPUTS,
    HANDLERS_MEASURING,
#endif
};

void answer_open(const Request &r) {
  event_flush();
  frame_open(r.type | ANSWER_BIT, r.number);
}

uint8_t answer(const Request &r, const void *fields, uint8_t size) {
  answer_open(r);
  frame_put(fields, size);
  frame_close();
  return ANSWERED;
}

uint8_t answer_in_place(const Request &r, uint8_t size) { return answer(r, r.fields, size); }

void refuse_later(const Later &to, uint8_t error, uint8_t detail) {
  msg_refusal body = {to.type, error, detail};
  event_flush();
  frame_open(MSG_REFUSAL, to.number);
  frame_put(&body, sizeof body);
  frame_close();
}

void refuse(const Request &r, uint8_t error, uint8_t detail) { refuse_later(later(r), error, detail); }

void answer_later(const Later &to, const void *fields, uint8_t size) {
  Request r = {to.type, to.number, nullptr, 0};
  answer(r, fields, size);
}

void send_done(uint8_t what, uint8_t status, uint16_t detail) {
  msg_done body = {what, status, detail};
  event_send(MSG_DONE, &body, sizeof body);
}

void trace(uint8_t point, uint16_t value, uint32_t at) {
  row_trace row = {point, value, at};
  event_row(MSG_TRACE, nullptr, 0, &row, sizeof row);
}

static bool find(uint8_t type, DispatchRow *row) {
  for (uint8_t i = 0; i < sizeof table / sizeof table[0]; i++) {
    hw_flash_read(row, &table[i], sizeof *row);
    if (row->type == type) return true;
  }
  return false;
}

static uint8_t handle(const DispatchRow &row, const Request &r) {
  bool fits = r.size == row.size || ((row.rules & TAIL) && r.size > row.size);
  if (!fits) return ERROR_LENGTH;
  return row.rules & probe_taken() ? (uint8_t)ERROR_BUSY : row.handler(r);
}

bool dispatch(const uint8_t *body, uint8_t size, bool by_air) {
  Request r = {body[0], (uint16_t)(body[1] | body[2] << 8), body + FRAME_HEAD, (uint8_t)(size - FRAME_HEAD)};
  DispatchRow row;
  uint8_t result = ERROR_UNKNOWN;
  if (by_air && ((r.type >= MSG_ARM_CHALLENGE && r.type <= MSG_THROTTLE) || r.type == MSG_OUTPUT)) {
    result = ERROR_GUARDED;
  } else if (find(r.type, &row)) {
    // the guard is not ticked while it is asked
    bool guards = (uint8_t)(r.type - MSG_ARM_CHALLENGE) <= MSG_OUTPUT - MSG_ARM_CHALLENGE;
    if (guards) hw_hold_ms();
    result = handle(row, r);
    if (guards) hw_release_ms();
  }
  if (result == AGAIN) return false;
  if (result == HANDLED) {
    answer(r, nullptr, 0);
  } else if (result != ANSWERED) {
    refuse(r, result);
  }
  return true;
}
