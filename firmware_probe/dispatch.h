// SPDX-License-Identifier: MIT
// Requests to handlers, by one table. A handler is given a request whose length fits its message.
#pragma once
#include "catalogue.h"
#include "frame.h"

struct Request {
  uint8_t type;
  uint16_t number;
  const uint8_t *fields;
  uint8_t size;  // fields and tail
};

// A handler returns an Error to refuse, or one of these.
#define HANDLED 0       // the dispatcher sends the empty answer
#define ANSWERED 0xFE   // the handler has answered, or will
#define AGAIN 0xFD      // something must end first: call again in the next turn
typedef uint8_t (*Handler)(const Request &request);

// False: to be called again with the same body. What arms is refused by air.
HW_APART bool dispatch(const uint8_t *body, uint8_t size, bool by_air = false);
uint8_t answer(const Request &request, const void *fields, uint8_t size);  // ANSWERED
// An answer's fields are put together where the request's were: these are no longer there then.
template <class T> inline T &in_place(const Request &r) { return *(T *)(void *)const_cast<uint8_t *>(r.fields); }
uint8_t answer_in_place(const Request &request, uint8_t size);  // ANSWERED
void answer_open(const Request &request);  // then frame_put, frame_close
void refuse(const Request &request, uint8_t error, uint8_t detail = 0);

// An answer that is given later.
struct Later {
  uint8_t type;
  uint16_t number;
};
inline Later later(const Request &r) { return Later{r.type, r.number}; }
void answer_later(const Later &to, const void *fields, uint8_t size);
void refuse_later(const Later &to, uint8_t error, uint8_t detail);

void send_done(uint8_t what, uint8_t status, uint16_t detail);
void trace(uint8_t point, uint16_t value, uint32_t at);  // an event row of the control path
