// SPDX-License-Identifier: MIT
// The guard: it owns all that a motor controller's pin can emit, and lets servos move. Read it in one sitting.
//
// Rules, each enforced here and nowhere else:
//  1. After a start everything is idle; nothing of an earlier life counts. A motor channel that has not been confirmed
//     since its wiring was told is silent: its pin is low.
//  2. Armed only by a challenge that is at most 5 s old, used once, answered with its nonce and the board's own label.
//  3. Away from idle only while armed, with a throttle request at most 250 ms old, strictly rising numbers, at most
//     the cap - the least of the stored one, the one asked for when arming, and 300 permille - and moving away no
//     faster than the slew limit. Idle of a reversible controller is its neutral, and all of this holds on both sides.
//  4. With the radio as a condition - asked for when arming, or because the control loop runs - also only while
//     control packets come in within the silence limit.
//  5. When anything goes, the width is idle from the next pulse on, and stays so until armed anew.
//  6. Rules 3 and 4 and a stuck main loop are watched by guard_tick, which the millisecond interrupt calls.
//  7. What decides all this - kinds, pins, idle, neutral, full, frame, cap, slew, silence - changes only in the state
//     WIRING, entered by a challenge of its own (channel 0), over a cable, with nothing armed, and left a minute after the
//     last request of its kind. In it all pulse outputs are silent but for one at a time that is tried for half a second:
//     a servo at 1450 to 1550 us, a motor controller at its idle. Only what was tried there can be confirmed.
//  8. A confirmed motor controller is taught its end points in WIRING, too: full, backwards if it is reversible, idle; on
//     and never back, one output and no other, nothing tried before, and full only after silence that disarms what has
//     power all the same. Each is asked for again within 250 ms, or all is silent; so it is after a stop before idle.
//
// No register, and of the chip the clock alone. All calls must be made with the millisecond held, but for tick, which is
// that interrupt's.
#pragma once
#include "catalogue.h"
#include "hw.h"

#define GUARD_CHALLENGE_MS 5000
#define GUARD_KEEP_ALIVE_MS 250
#define GUARD_LOOP_MS 100
#define GUARD_CAP_MOST 300  // permille, whatever the settings say
#define GUARD_WIRING_MS 60000
#define GUARD_TRY_MS 500
#define GUARD_TRY_US 1450    // of a servo, and 100 us more in its second half: both are about its centre, and it is seen
#define GUARD_UNHEARD_MS 2500  // without pulses before a full one: controllers disarm within 2 s of losing their signal
#define GUARD_QUIET_MS 100  // a stop that silences: idle for so long before, for controllers that brake on idle

// channels: bit 0 is channel 1
struct GuardRules {
  uint16_t neutral_us, silence_ms, cap_permille, slew_permille_s, idle_us, full_us;
  uint8_t motors, reversible, servos;  // motors, servos: confirmed; reversible: as declared
};

// A pulse width that the guard has made; 0 ticks: no pulses.
class GuardedWidth {
 public:
  uint16_t ticks() const { return ticks_; }

 private:
  explicit GuardedWidth(uint16_t ticks) : ticks_(ticks) {}
  uint16_t ticks_;
  friend struct Guard;
};
// Supplied by the pulse outputs: what channel 1 to 6 delivers from its next pulse on.
void guard_output(uint8_t channel, GuardedWidth width);
// Supplied by them, too: a channel's own idle or neutral, and own full at most 2200, in us; 0: as the rules have it for all.
uint16_t guard_own_rest(uint8_t channel);
uint16_t guard_own_full(uint8_t channel);

struct GuardChange {
  uint8_t state, reason;
  uint32_t at;
  uint16_t width_us;
};

struct Guard {
  void start();
  // Other rules, other wiring: idle on all motor channels, nothing tried.
  void configure(const GuardRules &rules);

  uint32_t challenge(uint8_t channel, bool radio, uint32_t entropy);  // the nonce, 0: refused
  bool arm(const msg_arm &asked, const char *own_label);
  bool throttle(uint8_t channel, int16_t permille, uint16_t number);
  void drop(uint8_t reason);                // to idle, disarmed
  void quiet();                             // no pulses on motor channels, soon and until armed or wired anew
  void pause(bool on);                      // the same, now, and only until it is over; never while armed
  bool wiring();                            // whether the wiring may be changed; that it is asked keeps it so
  void attempt(uint8_t channel, bool servo);  // only while wiring
  bool attempted(uint8_t channel) const;    // and it is over
  bool teach(uint8_t channel, uint8_t act);  // FULL, BACKWARD, REST of OutputAct, only while wiring; false: not now
  bool servo(uint8_t channel, uint16_t ticks);  // 0 ends it; false: not now
  void control_packet();                    // the radio has brought one
  void control_link(bool on);               // while the control loop runs, the radio is a condition of any arming
  void loop_alive();                        // the main loop has come round
  void tick(uint32_t now);                  // every millisecond

  uint8_t state() const { return state_; }
  uint8_t reason() const { return reason_; }
  bool armed() const { return state_ >= GUARD_STATE_ARMED; }
  bool silent() const { return silenced_ || paused_ || state_ == GUARD_STATE_WIRING; }
  uint16_t cap() const { return cap_; }  // in force since it was armed
  uint16_t width_us() const;
  uint8_t motors() const { return rules_.motors; }  // confirmed; bit 0 is channel 1
  uint8_t servos() const { return rules_.servos; }
  uint16_t age() const { return ms_ - throttle_at_; }        // ms since the last throttle request
  uint16_t radio_age() const { return ms_ - radio_at_; }     // ms since the last control packet
  bool take_change(GuardChange *change);

 private:
  void enter(uint8_t state, uint8_t reason);
  uint16_t rest(uint8_t channel) const;
  uint16_t full(uint8_t channel) const;
  uint16_t ticks(uint8_t channel) const;
  void put_out();
  void wake();
  void begin(uint8_t channel, uint16_t cap);
  void end_attempt();
  bool older(uint16_t then, uint16_t ms) const;
  void expire();
  void resting();

  GuardRules rules_;
  uint8_t state_, reason_, channel_, trying_, tried_, taught_;
  bool radio_, link_on_, changed_, quieting_, silenced_, paused_, backward_, try_servo_;
  uint32_t nonce_, ticked_at_;
  uint16_t ms_, challenged_at_, throttle_at_, radio_at_, loop_at_, wired_at_, quiet_at_;  // ms_ counts from the start
  uint16_t number_, cap_;
  uint16_t span_;     // ticks from idle to full
  uint32_t step_;     // slew a millisecond, ticks times 65536
  uint32_t target_;   // away from idle, as asked for, ticks times 65536
  uint32_t present_;  // the same, as slewed
  GuardChange change_;
};
extern Guard guard;
