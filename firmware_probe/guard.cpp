// SPDX-License-Identifier: MIT
#include "guard.h"
#include <string.h>

#define TICKS_A_MS 2000UL
#define LABEL_SIZE 16
#define CHANNELS 6
#define LONG_AGO_MS 30000
#define NO_CHANNEL 0  // of a challenge: for the wiring
#define TRIED 0xFF    // in place of what was taught last: nothing may be

Guard guard;

bool Guard::older(uint16_t then, uint16_t ms) const { return (uint16_t)(ms_ - then) > ms; }

static uint8_t bit_of(uint8_t channel) { return (uint8_t)(1 << (channel - 1)); }

void Guard::start() {
  memset(this, 0, sizeof *this);
  ticked_at_ = hw_ticks();
}

void Guard::configure(const GuardRules &rules) {
  rules_ = rules;  // first: what is put out when dropping must not start a channel that is no longer confirmed
  if (state_ == GUARD_STATE_CHALLENGED || armed()) drop(GUARD_REASON_SETTINGS);
  trying_ = tried_ = 0;
  put_out();
}

// ---------------------------------------------------------------- the width

uint16_t Guard::rest(uint8_t channel) const {
  uint16_t own = guard_own_rest(channel), away = own - 800, all = rules_.idle_us;  // 800 to 1200, 1400 to 1600
  if (rules_.reversible & bit_of(channel)) {
    away = 2 * (own - 1400);
    all = rules_.neutral_us;
  }
  return 2 * (away > 400 ? all : own);
}

uint16_t Guard::full(uint8_t channel) const {
  uint16_t own = guard_own_full(channel);
  return 2 * (own ? own : rules_.full_us);
}

uint16_t Guard::ticks(uint8_t channel) const {
  uint16_t idle = rest(channel), away = present_ >> 16;
  if (state_ != GUARD_STATE_LIVE || channel != channel_) return idle;
  return backward_ ? idle - away : idle + away;
}

uint16_t Guard::width_us() const { return channel_ ? ticks(channel_) / 2 : 0; }

void Guard::put_out() {
  for (uint8_t channel = 1, left = rules_.motors; left; channel++, left >>= 1) {
    if (left & 1) guard_output(channel, GuardedWidth(silent() ? 0 : ticks(channel)));
  }
}

void Guard::pause(bool on) {
  paused_ = on && !armed();
  put_out();
}

void Guard::wake() { silenced_ = quieting_ = paused_ = false; }

void Guard::quiet() {
  quieting_ = true;
  quiet_at_ = ms_;
}

bool Guard::servo(uint8_t channel, uint16_t ticks) {
  if (state_ == GUARD_STATE_WIRING || !(rules_.servos & bit_of(channel))) return false;
  guard_output(channel, GuardedWidth(ticks));
  return true;
}

// ---------------------------------------------------------------- states

void Guard::enter(uint8_t state, uint8_t reason) {
  bool told = state != state_ || (state == GUARD_STATE_IDLE && reason != reason_);
  state_ = state;
  reason_ = reason;
  if (state != GUARD_STATE_LIVE) present_ = 0;
  end_attempt();
  put_out();
  if (!told) return;
  change_.state = state;
  change_.reason = reason;
  change_.at = hw_ticks();
  change_.width_us = width_us();
  changed_ = true;
}

void Guard::drop(uint8_t reason) {
  nonce_ = 0;
  target_ = 0;
  if ((uint8_t)(taught_ - 1) < OUTPUT_ACT_BACKWARD) silenced_ = true;  // full before power: idle would follow it
  taught_ = 0;
  enter(GUARD_STATE_IDLE, reason);
}

bool Guard::take_change(GuardChange *change) {
  if (!changed_) return false;
  *change = change_;
  changed_ = false;
  return true;
}

// ---------------------------------------------------------------- arming

static __attribute__((noinline)) uint32_t mixed(uint32_t x) {  // xorshift; never 0 from anything but 0
  x ^= x << 13;
  x ^= x >> 17;
  return x ^ x << 5;
}

uint32_t Guard::challenge(uint8_t channel, bool radio, uint32_t entropy) {
  if (armed() || state_ == GUARD_STATE_WIRING || channel > CHANNELS) return 0;
  if (channel != NO_CHANNEL) {
    if (!(rules_.motors & bit_of(channel))) return 0;
    wake();
  }
  channel_ = channel;
  radio_ = radio || link_on_;
  challenged_at_ = ms_;
  uint32_t now = hw_ticks();
  nonce_ = mixed(mixed(entropy) ^ now) | 1;
  enter(GUARD_STATE_CHALLENGED, reason_);
  return nonce_;
}

// Widths away from idle are kept as ticks times 65536, and divisions stay out of the millisecond interrupt.
void Guard::begin(uint8_t channel, uint16_t cap) {
  uint16_t idle = rest(channel), most = full(channel);
  span_ = most > idle ? most - idle : 0;
  step_ = (uint32_t)span_ * rules_.slew_permille_s / 125 * 8192 / 1000;
  cap_ = cap < rules_.cap_permille ? cap : rules_.cap_permille;
  if (cap_ > GUARD_CAP_MOST) cap_ = GUARD_CAP_MOST;
  target_ = 0;
  number_ = 0;
  paused_ = false;
}

bool Guard::arm(const msg_arm &asked, const char *own_label) {
  if (armed()) return false;  // already; nothing changes
  bool right = state_ == GUARD_STATE_CHALLENGED && !older(challenged_at_, GUARD_CHALLENGE_MS) &&
               asked.channel == channel_ && nonce_ != 0 && asked.nonce == nonce_ && own_label[0] != 0 &&
               memcmp(asked.label, own_label, LABEL_SIZE) == 0;
  nonce_ = 0;  // used up, right or wrong
  if (!right) {
    drop(GUARD_REASON_BAD_ARM);
    return false;
  }
  throttle_at_ = radio_at_ = loop_at_ = wired_at_ = ms_;
  if (channel_ == NO_CHANNEL) {
    wake();
    enter(GUARD_STATE_WIRING, reason_);
    return true;
  }
  begin(channel_, asked.cap_permille);
  enter(GUARD_STATE_ARMED, reason_);
  return true;
}

bool Guard::throttle(uint8_t channel, int16_t permille, uint16_t number) {
  if (!armed()) return false;
  expire();
  if (!armed()) return false;
  bool backward = permille < 0;
  uint16_t size = backward ? -permille : permille;
  bool both_ways = rules_.reversible & bit_of(channel_);
  if (channel != channel_ || number <= number_ || size > cap_ || (backward && !both_ways)) {
    drop(GUARD_REASON_REFUSED);
    return false;
  }
  number_ = number;
  throttle_at_ = ms_;
  target_ = (uint32_t)span_ * (uint16_t)(size * 67109UL >> 10);  // 65.536 a permille
  uint32_t was = present_;
  if (size && backward != backward_) {  // through idle, and from there at the slew
    present_ = 0;
    backward_ = backward;
  }
  if (present_ > target_) present_ = target_;  // towards idle at once
  if (present_ != was) put_out();
  if (size && state_ == GUARD_STATE_ARMED) enter(GUARD_STATE_LIVE, reason_);
  if (size == 0 && state_ == GUARD_STATE_LIVE) enter(GUARD_STATE_ARMED, reason_);
  return true;
}

// ---------------------------------------------------------------- wiring

bool Guard::wiring() {
  wired_at_ = ms_;
  return state_ == GUARD_STATE_WIRING;
}

void Guard::end_attempt() {
  if (trying_) guard_output(trying_, GuardedWidth(0));
  trying_ = 0;
}

void Guard::attempt(uint8_t channel, bool servo) {
  end_attempt();
  trying_ = channel;
  taught_ = TRIED;
  tried_ |= bit_of(channel);
  try_servo_ = servo;
  quiet_at_ = ms_;
  guard_output(channel, GuardedWidth(servo ? 2 * GUARD_TRY_US : rest(channel)));
}

bool Guard::attempted(uint8_t channel) const { return (tried_ & bit_of(channel)) && trying_ == 0; }

bool Guard::teach(uint8_t channel, uint8_t act) {
  uint8_t here = rules_.motors & bit_of(channel);
  if (act == OUTPUT_ACT_BACKWARD) here &= rules_.reversible;
  if (!here) return false;
  if (taught_) {
    if (act < taught_ || channel != trying_) return false;
  } else if (act != OUTPUT_ACT_FULL || !older(throttle_at_, GUARD_UNHEARD_MS)) {  // since it is wiring
    return false;
  }
  taught_ = act;
  trying_ = channel;
  throttle_at_ = ms_;
  uint16_t width = rest(channel);
  if (act == OUTPUT_ACT_FULL) width = full(channel);
  if (act == OUTPUT_ACT_BACKWARD) width += width - full(channel);
  guard_output(channel, GuardedWidth(width));
  return true;
}

// ---------------------------------------------------------------- what ends it

void Guard::control_packet() { radio_at_ = ms_; }

void Guard::control_link(bool on) {
  link_on_ = on;
  if (on && armed()) radio_ = true;
}

void Guard::loop_alive() { loop_at_ = ms_; }

void Guard::expire() {
  if (older(throttle_at_, GUARD_KEEP_ALIVE_MS)) {
    drop(GUARD_REASON_KEEP_ALIVE);
  } else if (radio_ && older(radio_at_, rules_.silence_ms)) {
    drop(GUARD_REASON_SILENCE);
  } else if (older(loop_at_, GUARD_LOOP_MS)) {
    drop(GUARD_REASON_LOOP_STALL);
  }
}

// While nothing is armed or taught: what has been begun ends, and ages stay readable: after 30 s a time is "long ago".
void Guard::resting() {
  if (state_ == GUARD_STATE_IDLE && !quieting_ && (uint8_t)ms_) return;
  if (state_ == GUARD_STATE_CHALLENGED && older(challenged_at_, GUARD_CHALLENGE_MS)) {
    nonce_ = 0;
    enter(GUARD_STATE_IDLE, reason_);
  }
  if (state_ == GUARD_STATE_WIRING && older(wired_at_, GUARD_WIRING_MS)) drop(GUARD_REASON_TIME_OUT);
  if (trying_ && try_servo_ && older(quiet_at_, GUARD_TRY_MS / 2)) {
    guard_output(trying_, GuardedWidth(2 * (GUARD_TRY_US + 100)));
  }
  if (trying_ && older(quiet_at_, GUARD_TRY_MS)) end_attempt();
  if (quieting_ && older(quiet_at_, GUARD_QUIET_MS)) {
    quieting_ = false;
    silenced_ = true;
    put_out();
  }
  if ((uint8_t)ms_) return;
  if (older(radio_at_, LONG_AGO_MS)) radio_at_ = ms_ - LONG_AGO_MS - 1;
  if (older(throttle_at_, LONG_AGO_MS)) throttle_at_ = ms_ - LONG_AGO_MS - 1;
}

// Bytes come in every 20 us meanwhile and the receiver holds two, so this has to be short.
// The slew limit counts real milliseconds, so a late tick does not slow it and an early one does not speed it up.
void Guard::tick(uint32_t now) {
  uint8_t ms = 0;
  for (; now - ticked_at_ >= TICKS_A_MS && ms < 20; ms++) ticked_at_ += TICKS_A_MS;
  if (now - ticked_at_ >= TICKS_A_MS) ticked_at_ = now;
  ms_ += ms;
  if (armed() || (uint8_t)(taught_ - 1) < OUTPUT_ACT_REST) {
    expire();
  } else {
    resting();
  }
  if (state_ != GUARD_STATE_LIVE || present_ == target_) return;
  while (ms--) present_ += step_;
  if (present_ > target_) present_ = target_;
  guard_output(channel_, GuardedWidth(ticks(channel_)));  // the others are at idle already
}
