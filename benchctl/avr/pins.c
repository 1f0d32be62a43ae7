/* Pins: what drives each line, pin-change and external interrupts, edges due in the future, wires between pins. */
#include "shim.h"

static uint8_t *reg_pin(chip *c, int port) { return c->avr->data + r_PINB + 3 * port; }  /* then DDR, then PORT */

static int driven_level(chip *c, int pin) {
    uint8_t *reg = reg_pin(c, pin >> 3), bit = 1 << (pin & 7);
    if (!(reg[1] & bit)) return -1;
    int override = timer_pin(c, pin);
    return override >= 0 ? override : !!(reg[2] & bit);
}

static int drive_of(chip *c, int pin) {
    int driven = driven_level(c, pin);
    if (driven >= 0) return driven ? DRIVES_HIGH : DRIVES_LOW;
    return reg_pin(c, pin >> 3)[2] >> (pin & 7) & 1 ? INPUT_PULLED_UP : INPUT;
}

/* An outside resistor (some kΩ) wins over the pull-up of the chip (20 to 50 kΩ), and that over the input of a part, on
 * which an undriven line rests; a floating line keeps its level. */
static int resolved_level(chip *c, int pin) {
    int drive = c->driven[pin];
    if (drive <= DRIVES_HIGH) return drive == DRIVES_HIGH;
    switch (c->line[pin]) {
    case LINE_LOW: case LINE_PULLED_DOWN: return 0;
    case LINE_HIGH: case LINE_PULLED_UP: return 1;
    }
    if (drive == INPUT_PULLED_UP || c->line[pin] == LINE_RESTS_HIGH) return 1;
    return c->line[pin] == LINE_RESTS_LOW ? 0 : c->level[pin];
}

static void raise_pin_change(chip *c, int pin) {
    int port = pin >> 3;
    if (c->avr->data[r_PCMSK0 + port] >> (pin & 7) & 1) set_flag(c, c->pin_change[port]);
}

static void raise_external(chip *c, int pin, int level) {
    int n = pin - (2 * 8 + 2);  /* PD2 is INT0, PD3 is INT1 */
    if (n < 0 || n > 1) return;
    int sense = c->avr->data[r_EICRA] >> (2 * n) & 3;
    if (sense == 1 || (sense == 3) == level) set_flag(c, c->external[n]);
}

static void push_edge(chip *c, uint64_t at, int pin, int line);
static void await_edge(chip *c);

static void tell(chip *c, int pin, int level) {
    if (c->watch[pin] & WATCH_CSN) spi_select(c, level);
    if (c->watch[pin] & WATCH_WIRE)
        for (int i = 0; i < c->wire_count; i++) {
            wire *w = &c->wires[i];
            if (w->from != pin) continue;
            if (w->to == c) push_edge(c, c->avr->cycle, w->pin, level);
            else push_edge(w->to, cycle_of(w->to, time_of(c, c->avr->cycle) + c->group->slice), w->pin, level);
        }
    if (c->watch[pin] & WATCH_PYTHON) shim_on_pin(c->user, pin, level, c->avr->cycle);
}

void pins_update(chip *c, int pin) {
    int drive = drive_of(c, pin), port = pin >> 3, bit = 1 << (pin & 7);
    if (drive != c->driven[pin]) {
        c->driven[pin] = drive;
        if (c->watch[pin] & WATCH_DRIVE) shim_on_drive(c->user, pin, drive, c->avr->cycle);  /* may change the line */
    }
    int level = resolved_level(c, pin);
    if (level == c->level[pin]) return;
    c->level[pin] = level;
    uint8_t *reg = reg_pin(c, port);
    *reg = level ? *reg | bit : *reg & ~bit;
    raise_pin_change(c, pin);
    raise_external(c, pin, level);
    if (pin == 0) timer_capture(c, level);  /* PB0 is ICP1 */
    tell(c, pin, level);
}

static void update_port(chip *c, int port, uint8_t mask) {
    for (int bit = 0; bit < 8; bit++)
        if (mask >> bit & 1) pins_update(c, port * 8 + bit);
}

/* ---- registers ---- */

static void write_port(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    uint8_t changed = avr->data[addr] ^ v;
    avr->data[addr] = v;
    update_port(CHIP(p), (addr - r_PINB) / 3, changed);
}

static void write_pin(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {  /* ones toggle the port's bits */
    write_port(avr, addr + 2, avr->data[addr + 2] ^ written_bits(CHIP(p), v), p);
}

static void write_pcifr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    (void)avr, (void)addr;
    v = written_bits(CHIP(p), v);
    for (int i = 0; i < PORTS; i++)
        if (v >> i & 1) clear_flag(CHIP(p), CHIP(p)->pin_change[i]);
}

static void write_eifr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    (void)avr, (void)addr;
    v = written_bits(CHIP(p), v);
    for (int i = 0; i < 2; i++)
        if (v >> i & 1) clear_flag(CHIP(p), CHIP(p)->external[i]);
}

/* an interrupt that is enabled while its flag stands comes at once; a low-level one while its line is low */
static void write_pcicr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    avr->data[addr] = v;
    for (int i = 0; i < PORTS; i++)
        if (v & avr->data[r_PCIFR] & 1 << i) set_flag(CHIP(p), CHIP(p)->pin_change[i]);
}

static void write_eimsk(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    avr->data[addr] = v;
    for (int i = 0; i < 2; i++) {
        int low_level = !(avr->data[r_EICRA] >> (2 * i) & 3) && !CHIP(p)->level[2 * 8 + 2 + i];
        if (v >> i & 1 && (low_level || avr->data[r_EIFR] >> i & 1)) set_flag(CHIP(p), CHIP(p)->external[i]);
    }
}

/* ---- lines from outside ---- */

static void apply(chip *c, const edge *e) {
    c->line[e->pin] = e->line;
    pins_update(c, e->pin);
}

/* one library timer for the first of the edges, which are kept in order of time */
static avr_cycle_count_t edge_due(avr_t *avr, avr_cycle_count_t when, void *p) {
    (void)avr;
    edges_until(CHIP(p), when);
    await_edge(CHIP(p));
    return 0;
}

static void await_edge(chip *c) {
    uint64_t now = c->avr->cycle;
    if (c->edge_count) later(c, c->edges[0].at > now ? c->edges[0].at - now : 0, edge_due);
}

void edges_until(chip *c, uint64_t cycle) {
    while (c->edge_count && c->edges[0].at <= cycle) {
        edge e = c->edges[0];
        c->edge_count--;
        memmove(c->edges, c->edges + 1, c->edge_count * sizeof e);
        uint64_t real = c->avr->cycle;
        if (e.at < real && real - e.at < 16) c->avr->cycle = e.at;
        apply(c, &e);
        c->avr->cycle = real;
    }
}

static void push_edge(chip *c, uint64_t at, int pin, int line) {
    if (c->edge_count == EDGE_RING) return;
    uint32_t i = c->edge_count++;
    while (i && c->edges[i - 1].at > at) c->edges[i] = c->edges[i - 1], i--;
    c->edges[i] = (edge){at, pin, line};
    if (!i) await_edge(c);
}

/* Put the line of a pin to `line` (LINE_…) at a cycle; one that has just passed inside an instruction is exact. */
void chip_drive(chip *c, int pin, int line, uint64_t at) {
    uint64_t now = c->avr->cycle;
    if (at > now) {
        push_edge(c, at, pin, line);
        return;
    }
    edge e = {at, pin, line};
    if (now - at < 16) c->avr->cycle = at;
    apply(c, &e);
    c->avr->cycle = now;
}

void chip_watch(chip *c, int pin, int how) { c->watch[pin] |= how; }

int chip_wire(chip *c, int from, chip *to, int pin) {
    if (c->wire_count == 16) return 0;
    c->wires[c->wire_count++] = (wire){to, from, pin};
    c->watch[from] |= WATCH_WIRE;
    chip_drive(to, pin, c->level[from], to->avr->cycle);
    return 1;
}

int chip_level(const chip *c, int pin) { return c->level[pin]; }
int chip_driven(const chip *c, int pin) { return c->driven[pin] <= DRIVES_HIGH; }

void pins_reset(chip *c) {
    for (int pin = 0; pin < PINS; pin++) pins_update(c, pin);
    for (int port = 0; port < PORTS; port++) {
        uint8_t v = 0;
        for (int bit = 0; bit < 8; bit++) v |= c->level[port * 8 + bit] << bit;
        *reg_pin(c, port) = v;
        c->avr->data[r_PCIFR] = c->avr->data[r_EIFR] = 0;
        clear_flag(c, c->pin_change[port]);
    }
    for (int i = 0; i < 2; i++) clear_flag(c, c->external[i]);
    await_edge(c);
}

void pins_init(chip *c) {
    avr_extint_t *ext = module(c, "extint", 0);
    for (int i = 0; i < 2; i++) c->external[i] = &ext->eint[i].vector;
    for (int port = 0; port < PORTS; port++) {
        avr_ioport_t *io = module(c, "port", "BCD"[port]);
        c->pin_change[port] = &io->pcint;
        hook(c, r_PINB + 3 * port, write_pin, NULL);
        hook(c, r_PINB + 3 * port + 1, write_port, NULL);
        hook(c, r_PINB + 3 * port + 2, write_port, NULL);
    }
    for (int pin = 0; pin < PINS; pin++) c->line[pin] = LINE_FLOATS, c->driven[pin] = INPUT;
    hook(c, r_PCIFR, write_pcifr, NULL);
    hook(c, r_EIFR, write_eifr, NULL);
    hook(c, r_PCICR, write_pcicr, NULL);
    hook(c, r_EIMSK, write_eimsk, NULL);
}
