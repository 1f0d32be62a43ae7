// SPDX-License-Identifier: MIT
// Requests that are answered alike whatever the firmware: the clock, an echo, a setting.
#include "dispatch.h"
#include "frame.h"
#include "handlers.h"
#include "settings.h"

uint8_t on_clock(const Request &r) {
  msg_clock_answer &a = in_place<msg_clock_answer>(r);
  a.received = hw_uart_frame_at();
  event_flush();
  a.sent = hw_ticks();
  return answer_in_place(r, sizeof a);
}

uint8_t on_echo(const Request &r) {
  return answer(r, r.fields, r.size);
}

uint8_t on_setting_read(const Request &r) {
  const msg_setting_read &m = *(const msg_setting_read *)r.fields;
  uint8_t size;
  void *value = settings_place(m.key, &size);
  if (!value) return ERROR_VALUE;
  answer_open(r);
  frame_put(&m.key, 1);
  frame_put(value, size);
  frame_close();
  return ANSWERED;
}
