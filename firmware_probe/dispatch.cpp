// SPDX-License-Identifier: MIT
#include "dispatch.h"
#include "handlers.h"

struct DispatchRow {
  uint8_t type;
  uint8_t size;   // of the fields
  bool tail;      // bytes may follow
  Handler handler;
};

static const DispatchRow table[] HW_FLASH = {
    HANDLERS_BOARD,
    HANDLERS_RADIO,
    HANDLERS_OUTPUTS,
    HANDLERS_MEASURING,
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

void dispatch(const uint8_t *body, uint8_t size, bool by_air) {
  Request r = {body[0], (uint16_t)(body[1] | body[2] << 8), body + FRAME_HEAD, (uint8_t)(size - FRAME_HEAD)};
  DispatchRow row;
  uint8_t result = ERROR_UNKNOWN;
  if (by_air && r.type >= MSG_ARM_CHALLENGE && r.type <= MSG_THROTTLE) {
    result = ERROR_GUARDED;
  } else if (find(r.type, &row)) {
    bool fits = r.size == row.size || (row.tail && r.size > row.size);
    result = fits ? row.handler(r) : (uint8_t)ERROR_LENGTH;
  }
  if (result == ANSWERED) return;
  if (result == HANDLED) {
    answer(r, nullptr, 0);
  } else {
    refuse(r, result);
  }
}
