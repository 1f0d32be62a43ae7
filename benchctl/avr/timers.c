/* Timers 0, 1 and 2 (data sheet "8-bit Timer/Counter0", "16-bit Timer/Counter1"): one free-running prescaler, counting
 * computed from the cycle, one library timer for the next thing that happens. External clocks are not modelled. */
#include "shim.h"

enum { NORMAL, CLEAR_ON_MATCH, FAST, DUAL };  /* kinds of counting */
enum { TOP_MAX, TOP_FF, TOP_1FF, TOP_3FF, TOP_OCRA, TOP_ICR };

typedef struct { uint8_t kind, top; } waveform;

static const waveform wide_modes[16] = {  /* data sheet table "Waveform Generation Mode Bit Description" of timer 1 */
    {NORMAL, TOP_MAX}, {DUAL, TOP_FF}, {DUAL, TOP_1FF}, {DUAL, TOP_3FF}, {CLEAR_ON_MATCH, TOP_OCRA}, {FAST, TOP_FF},
    {FAST, TOP_1FF}, {FAST, TOP_3FF}, {DUAL, TOP_ICR}, {DUAL, TOP_OCRA}, {DUAL, TOP_ICR}, {DUAL, TOP_OCRA},
    {CLEAR_ON_MATCH, TOP_ICR}, {NORMAL, TOP_MAX}, {FAST, TOP_ICR}, {FAST, TOP_OCRA}};
static const waveform narrow_modes[8] = {  /* timers 0 and 2 */
    {NORMAL, TOP_MAX}, {DUAL, TOP_MAX}, {CLEAR_ON_MATCH, TOP_OCRA}, {FAST, TOP_MAX},
    {NORMAL, TOP_MAX}, {DUAL, TOP_OCRA}, {NORMAL, TOP_MAX}, {FAST, TOP_OCRA}};
static const uint16_t dividers[8] = {0, 1, 8, 64, 256, 1024, 0, 0};
static const uint16_t dividers_2[8] = {0, 1, 8, 32, 64, 128, 256, 1024};

static uint16_t reg16(const chip *c, const timer *t, int low) {
    return c->avr->data[low] | (t->wide ? c->avr->data[low + 1] << 8 : 0);
}

static uint64_t tick_at(const timer *t, uint64_t cycle) { return t->divider ? (cycle - t->origin) / t->divider : 0; }

static uint16_t top_of(const chip *c, const timer *t) {
    switch ((t->wide ? wide_modes : narrow_modes)[t->mode].top) {
    case TOP_FF: return 0xFF;
    case TOP_1FF: return 0x1FF;
    case TOP_3FF: return 0x3FF;
    case TOP_OCRA: return t->ocr_now[0];
    case TOP_ICR: return reg16(c, t, t->icr);
    }
    return t->max;
}

/* where the count turns or wraps; a count that has got past TOP goes on to MAX */
static uint16_t limit_of(const timer *t) { return t->count > t->top && !t->down ? t->max : t->top; }

/* ---- compare outputs ---- */

static int output_mode(const chip *c, const timer *t, int channel) {
    return c->avr->data[t->tccra] >> (channel ? 4 : 6) & 3;
}

static int connected(const chip *c, const timer *t, int channel) {
    int com = output_mode(c, t, channel);
    if (com != 1 || t->kind == NORMAL || t->kind == CLEAR_ON_MATCH) return com;
    int top = (t->wide ? wide_modes : narrow_modes)[t->mode].top;  /* toggling in PWM: channel A, with TOP set freely */
    return !channel && (top == TOP_OCRA || (t->wide && top == TOP_ICR));
}

int timer_pin(const chip *c, int pin) {
    for (int i = 0; i < 3; i++)
        for (int channel = 0; channel < 2; channel++) {
            const timer *t = &c->timers[i];
            if (t->oc_pin[channel] == pin && connected(c, t, channel)) return t->level[channel];
        }
    return -1;
}

static void set_output(chip *c, timer *t, int channel, int level) {
    t->level[channel] = level;
    pins_update(c, t->oc_pin[channel]);
}

static void match_output(chip *c, timer *t, int channel) {
    int com = output_mode(c, t, channel);
    if (!connected(c, t, channel)) return;
    int level = com == 1 ? !t->level[channel] : com == 3;
    set_output(c, t, channel, t->kind == DUAL && t->down && com != 1 ? !level : level);
}

static void bottom_output(chip *c, timer *t, int channel) {
    int com = output_mode(c, t, channel);
    if (t->kind == FAST && com >= 2) set_output(c, t, channel, com == 2);
}

/* ---- what happens next ---- */

static avr_cycle_count_t timer_due(avr_t *avr, avr_cycle_count_t when, void *p);
static avr_cycle_count_t due_0(avr_t *a, avr_cycle_count_t w, void *p) { return timer_due(a, w, &CHIP(p)->timers[0]); }
static avr_cycle_count_t due_1(avr_t *a, avr_cycle_count_t w, void *p) { return timer_due(a, w, &CHIP(p)->timers[1]); }
static avr_cycle_count_t due_2(avr_t *a, avr_cycle_count_t w, void *p) { return timer_due(a, w, &CHIP(p)->timers[2]); }
static const avr_cycle_timer_t due[3] = {due_0, due_1, due_2};

static chip *chip_of(timer *t) { return (chip *)((char *)(t - t->number) - offsetof(chip, timers)); }

/* ticks until the count leaves `value` in the present direction before it wraps or turns; 0: it does not */
static uint32_t ticks_past(const timer *t, uint16_t value, uint16_t limit) {
    if (t->down) return value && value <= t->count ? t->count - value + 1u : 0;
    return value >= t->count && value <= limit ? value - t->count + 1u : 0;
}

static uint32_t ticks_to_turn(const timer *t, uint16_t limit) {
    if (t->kind == DUAL) return t->down ? t->count : limit > t->count ? limit - t->count : 1;
    return limit - t->count + 1u;
}

static void schedule(chip *c, timer *t) {
    if (!t->divider) {
        avr_cycle_timer_cancel(c->avr, due[t->number], c);
        return;
    }
    t->top = top_of(c, t);
    uint16_t limit = limit_of(t);
    uint32_t next = ticks_to_turn(t, limit);
    for (int i = 0; i < 2; i++) {
        uint32_t n = ticks_past(t, t->ocr_now[i], limit);
        if (n && n < next) next = n;
    }
    t->next_tick = t->base_tick + next;
    uint64_t at = t->origin + t->next_tick * t->divider;
    later(c, at > c->avr->cycle ? at - c->avr->cycle : 0, due[t->number]);
}

/* Bring `count` from `base_tick` to the present. What is due at this very cycle happens first. */
static void bring_up(chip *c, timer *t) {
    if (!t->divider) return;
    uint64_t tick = tick_at(t, c->avr->cycle);
    while (tick >= t->next_tick) timer_due(c->avr, t->origin + t->next_tick * t->divider, t);
    uint32_t gone = tick - t->base_tick;
    t->base_tick = tick;
    t->count = t->down ? t->count - gone : t->count + gone;
}

static void load_buffered(chip *c, timer *t) {
    for (int i = 0; i < 2; i++) t->ocr_now[i] = reg16(c, t, t->ocr[i]);
}

static void at_turn(chip *c, timer *t, uint16_t limit) {
    if (t->kind == DUAL) {
        t->down = !t->down;
        if (t->down) load_buffered(c, t);
        else set_flag(c, t->overflow);
        return;
    }
    t->count = 0;
    if (t->kind == FAST || limit == t->max) set_flag(c, t->overflow);
    if (t->wide && t->kind != NORMAL && wide_modes[t->mode].top == TOP_ICR) set_flag(c, t->capture);
    if (t->kind != FAST) return;
    load_buffered(c, t);
    for (int i = 0; i < 2; i++) bottom_output(c, t, i);
}

static avr_cycle_count_t timer_due(avr_t *avr, avr_cycle_count_t when, void *p) {
    timer *t = p;
    chip *c = chip_of(t);
    (void)avr;
    uint64_t tick = tick_at(t, when);
    uint16_t limit = limit_of(t);
    uint32_t gone = tick - t->base_tick;
    uint32_t turn = ticks_to_turn(t, limit);
    int matched[2];
    for (int i = 0; i < 2; i++) matched[i] = gone && ticks_past(t, t->ocr_now[i], limit) == gone;
    t->base_tick = tick;
    t->count = t->down ? t->count - gone : t->count + gone;
    for (int i = 0; i < 2; i++)
        if (matched[i]) {
            set_flag(c, t->compare[i]);
            if (t->kind != FAST || gone != turn) match_output(c, t, i);
        }
    if (gone == turn) at_turn(c, t, limit);
    schedule(c, t);
    return 0;
}

/* ---- registers ---- */

static timer *owner(chip *c, int addr) {
    for (int i = 0; i < 3; i++) {
        timer *t = &c->timers[i];
        if (addr == t->tifr || addr == t->timsk) return t;
        if (addr >= t->tccra && addr <= t->tccra + (t->wide ? 11 : 4)) return t;
    }
    return NULL;
}

static void write_control(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    chip *c = p;
    timer *t = owner(c, addr);
    bring_up(c, t);
    avr->data[addr] = v;
    int a = avr->data[t->tccra], b = avr->data[t->tccrb];
    uint8_t mode = t->wide ? (a & 3) | (b >> 1 & 0x0C) : (a & 3) | (b >> 1 & 4);
    uint32_t divider = (t->number == 2 ? dividers_2 : dividers)[b & 7];
    if (divider != t->divider) {
        t->divider = divider;
        t->base_tick = tick_at(t, avr->cycle);
    }
    t->mode = mode;
    t->kind = (t->wide ? wide_modes : narrow_modes)[mode].kind;
    if (t->kind != DUAL) t->down = 0;
    if (t->kind < FAST) load_buffered(c, t);
    for (int i = 0; i < 2; i++) pins_update(c, t->oc_pin[i]);
    schedule(c, t);
}

static void write_force(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    timer *t = owner(p, addr);
    if (!t->wide) {  /* the strobes share the register with the clock select */
        write_control(avr, addr, v & 0x3F, p);
    } else
        avr->data[addr] = 0;
    if (t->kind >= FAST) return;
    if (v & 0x80) match_output(p, t, 0);
    if (v & 0x40) match_output(p, t, 1);
}

/* the high byte of a 16-bit register goes through the timer's one TEMP register */
static void write_high(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    (void)avr;
    owner(p, addr)->temp = v;
}

static void write_low(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    chip *c = p;
    timer *t = owner(c, addr);
    bring_up(c, t);
    if (addr == t->icr && !(t->kind != NORMAL && wide_modes[t->mode].top == TOP_ICR)) return;  /* read-only there */
    avr->data[addr] = v;
    if (t->wide) avr->data[addr + 1] = t->temp;
    if (addr == t->tcnt) t->count = reg16(c, t, addr);
    else if (t->kind < FAST || !t->divider) load_buffered(c, t);
    schedule(c, t);
}

static uint8_t read_tcnt(avr_t *avr, avr_io_addr_t addr, void *p) {
    timer *t = owner(p, addr);
    bring_up(p, t);
    avr->data[addr] = t->count;
    t->temp = t->count >> 8;
    return avr->data[addr];
}

static uint8_t read_temp(avr_t *avr, avr_io_addr_t addr, void *p) {
    (void)avr;
    return owner(p, addr)->temp;
}

static uint8_t read_icr(avr_t *avr, avr_io_addr_t addr, void *p) {
    timer *t = owner(p, addr);
    t->temp = t->captured >> 8;
    return wide_modes[t->mode].top == TOP_ICR ? avr->data[addr] : (uint8_t)t->captured;
}

static void write_tifr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    (void)avr;
    timer *t = owner(p, addr);
    v = written_bits(p, v);
    if (v & 1) clear_flag(p, t->overflow);
    for (int i = 0; i < 2; i++)
        if (v >> (i + 1) & 1) clear_flag(p, t->compare[i]);
    if (v & 0x20 && t->capture) clear_flag(p, t->capture);
}

static void write_timsk(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    timer *t = owner(p, addr);
    avr->data[addr] = v;
    uint8_t standing = avr->data[t->tifr] & v;
    if (standing & 1) set_flag(p, t->overflow);
    for (int i = 0; i < 2; i++)
        if (standing >> (i + 1) & 1) set_flag(p, t->compare[i]);
    if (standing & 0x20 && t->capture) set_flag(p, t->capture);
}

/* The noise canceller waits for four equal samples; the edge detector's own delay is the same for both edges and left
 * out. The count is the one at the edge itself. */
void timer_capture(chip *c, int level) {
    timer *t = &c->timers[1];
    uint8_t b = c->avr->data[t->tccrb];
    if (!!(b & 0x40) != level || wide_modes[t->mode].top == TOP_ICR) return;
    bring_up(c, t);
    t->captured = t->count;
    set_flag(c, t->capture);
}

void timers_reset(chip *c) {
    for (int i = 0; i < 3; i++) {
        timer *t = &c->timers[i];
        t->mode = t->kind = t->divider = t->count = t->temp = t->captured = 0;
        t->down = 0;
        t->ocr_now[0] = t->ocr_now[1] = 0;
        t->level[0] = t->level[1] = 0;
        t->origin = c->avr->cycle;
        t->top = t->max;
        clear_flag(c, t->overflow), clear_flag(c, t->compare[0]), clear_flag(c, t->compare[1]);
        if (t->capture) clear_flag(c, t->capture);
    }
}

static void timer_init(chip *c, int n, timer t) {
    avr_timer_t *lib = module(c, "timer", '0' + n);
    for (int i = 0; i < 2; i++) t.compare[i] = &lib->comp[i].interrupt;
    t.overflow = &lib->overflow;
    t.capture = t.wide ? &lib->icr : NULL;
    t.number = n;
    t.max = t.wide ? 0xFFFF : 0xFF;
    c->timers[n] = t;
    hook(c, t.tccra, write_control, NULL);
    hook(c, t.tccrb, t.wide ? write_control : write_force, NULL);
    if (t.wide) hook(c, t.tccra + 2, write_force, NULL);
    hook(c, t.tcnt, write_low, read_tcnt);
    hook(c, t.ocr[0], write_low, NULL);
    hook(c, t.ocr[1], write_low, NULL);
    if (t.wide) {
        hook(c, t.tcnt + 1, write_high, read_temp);
        hook(c, t.ocr[0] + 1, write_high, NULL);
        hook(c, t.ocr[1] + 1, write_high, NULL);
        hook(c, t.icr, write_low, read_icr);
        hook(c, t.icr + 1, write_high, read_temp);
    }
    hook(c, t.tifr, write_tifr, NULL);
    hook(c, t.timsk, write_timsk, NULL);
}

void timers_init(chip *c) {
    timer_init(c, 0, (timer){.tccra = 0x44, .tccrb = 0x45, .tcnt = 0x46, .ocr = {0x47, 0x48}, .oc_pin = {22, 21},
                             .tifr = r_TIFR0, .timsk = r_TIMSK0});
    timer_init(c, 1, (timer){.wide = 1, .tccra = 0x80, .tccrb = 0x81, .tcnt = 0x84, .icr = 0x86, .ocr = {0x88, 0x8A},
                             .oc_pin = {1, 2}, .tifr = r_TIFR1, .timsk = r_TIMSK1});
    timer_init(c, 2, (timer){.tccra = 0xB0, .tccrb = 0xB1, .tcnt = 0xB2, .ocr = {0xB3, 0xB4}, .oc_pin = {3, 19},
                             .tifr = r_TIFR2, .timsk = r_TIMSK2});
    timers_reset(c);
}
