/* Making a chip, its resets, and the inner loop that runs several chips in step. */
#include "shim.h"

static chip *all[64];  /* for the library's log, which names a core only */

static void log_line(avr_t *avr, const int level, const char *format, va_list ap) {
    (void)ap;
    if (level != LOG_ERROR || !avr || !strstr(format, "CORE: ***")) return;
    for (int i = 0; i < 64; i++)
        if (all[i] && all[i]->avr == avr) {
            all[i]->crash_pc = avr->pc;
            all[i]->crashed = 1;
            avr->state = cpu_Crashed;
        }
}

void later(chip *c, uint64_t in, avr_cycle_timer_t f) { avr_cycle_timer_register(c->avr, in, f, c); }

void clear_flag(chip *c, avr_int_vector_t *v) {
    v->pending = 0;
    if (v->raised.reg) c->avr->data[v->raised.reg] &= ~(v->raised.mask << v->raised.bit);
}

void set_flag(chip *c, avr_int_vector_t *v) { avr_raise_interrupt(c->avr, v); }

/* SBI sets one bit and leaves write-one-to-clear neighbours alone; the library makes a read and a write of it */
uint8_t written_bits(chip *c, uint8_t v) {
    uint16_t op = c->avr->flash[c->avr->pc] | c->avr->flash[c->avr->pc + 1] << 8;
    return (op & 0xFF00) == 0x9A00 ? 1 << (op & 7) : v;
}

uint64_t cycle_of(const chip *c, double t) {
    double n = (t - c->t0) * c->rate;
    return n <= 0 ? c->c0 : c->c0 + (uint64_t)(n + 0.5);
}

double time_of(const chip *c, uint64_t cycle) { return c->t0 + (double)(int64_t)(cycle - c->c0) / c->rate; }

void hook(chip *c, int reg, avr_io_write_t w, avr_io_read_t r) {
    c->avr->io[reg - 32].w.c = w;
    c->avr->io[reg - 32].w.param = c;
    c->avr->io[reg - 32].r.c = r;
    c->avr->io[reg - 32].r.param = c;
}

void *module(chip *c, const char *kind, char name) {
    for (avr_io_t *io = c->avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, kind) && (!name || ((avr_ioport_t *)io)->name == name)) return io;
    return NULL;
}

/* A new period counts at once (data sheet "Watchdog Timer"); the library keeps the old one until the next WDR. */
static void write_wdtcsr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    enum { WDIE = 0x40, WDE = 0x08, PERIOD = 0x27 };
    chip *c = p;
    uint8_t old = avr->data[addr];
    c->write_wdtcsr(avr, addr, v, c->wdtcsr_param);
    uint8_t new = avr->data[addr];
    if ((old ^ new) & PERIOD && new & (WDIE | WDE)) avr_ioctl(avr, AVR_IOCTL_WATCHDOG_RESET, 0);
}

chip *chip_new(void *user, double frequency) {
    static int silent;
    if (!silent) avr_global_logger_set(log_line), silent = 1;
    int slot = 0;
    while (slot < 64 && all[slot]) slot++;
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    if (slot == 64 || !avr) return NULL;
    chip *c = calloc(1, sizeof *c);
    c->avr = avr;
    c->user = user;
    avr_init(avr);
    avr->log = 0;
    avr->frequency = (uint32_t)frequency;
    avr->vcc = avr->avcc = avr->aref = 5000;
    c->plain_run = avr->run;
    c->rate = frequency;
    all[slot] = c;
    pins_init(c), timers_init(c), uart_init(c), buses_init(c), analog_init(c), row_init(c);
    c->write_wdtcsr = avr->io[r_WDTCSR - 32].w.c;
    c->wdtcsr_param = avr->io[r_WDTCSR - 32].w.param;
    hook(c, r_WDTCSR, write_wdtcsr, NULL);
    c->held = 1;
    return c;
}

void chip_free(chip *c) {
    for (int i = 0; i < 64; i++)
        if (all[i] == c) all[i] = NULL;
    avr_terminate(c->avr);
    free(c->avr);
    free(c);
}

/* ---- resets ---- */

static void clear_registers(chip *c) {
    uint8_t flags = c->avr->data[r_MCUSR];
    uint64_t cycle = c->avr->cycle;
    c->avr->run == c->plain_run ? avr_reset(c->avr) : c->avr->run(c->avr);
    c->avr->cycle = cycle;
    c->avr->run = c->plain_run;
    c->avr->data[r_MCUSR] = flags;
    c->avr->run_cycle_limit = UINT64_MAX;
    row_reset(c), pins_reset(c), timers_reset(c), uart_reset(c), buses_reset(c), analog_reset(c);
}

static void restart(chip *c, int flag) {
    avr_watchdog_t *dog = module(c, "watchdog", 0);
    if (flag != f_WDRF) {  /* the library's own watchdog restart runs instead of avr_reset, and needs its mark */
        dog->reset_context.wdrf = 0;
        c->avr->run = c->plain_run;
    }
    clear_registers(c);
    c->crashed = 0;
    c->avr->data[r_MCUSR] = (flag == f_PORF ? 0 : c->avr->data[r_MCUSR] & 0x0F) | flag;
    c->held_until = c->avr->cycle + c->start_delay;
    for (int i = 0; i < 4; i++)
        if (flag == 1 << i) c->resets[i]++;
    shim_on_reset(c->user, flag, c->avr->cycle);
}

/* Hold the reset line low or take the supply away: every pin floats, nothing runs. Within a step of the core it
 * happens at the end of the step. */
void chip_hold(chip *c) {
    c->wanted = 0;
    if (c->held) return;
    if (c->stepping) {
        c->wanted = WANT_HOLD;
        return;
    }
    c->avr->run = c->plain_run;
    ((avr_watchdog_t *)module(c, "watchdog", 0))->reset_context.wdrf = 0;
    clear_registers(c);
    c->held = 1;
}

/* Let go of it; `flag` is the MCUSR bit of the cause. */
void chip_release(chip *c, int flag) {
    if (c->stepping) {
        c->wanted = flag;
        return;
    }
    c->wanted = 0;
    c->held = 0;
    restart(c, flag);
}

/* ---- running ---- */

static avr_cycle_count_t fence(avr_t *avr, avr_cycle_count_t when, void *p) {
    (void)avr, (void)when, (void)p;
    return 0;
}

static void set_fence(chip *c, uint64_t cycle) {
    c->fence_at = cycle > c->avr->cycle ? cycle : c->avr->cycle;
    later(c, c->fence_at - c->avr->cycle, fence);
}

static void put_back(avr_cycle_timer_pool_t *pool, avr_cycle_timer_slot_p t, uint64_t when) {
    avr_cycle_timer_slot_p *at = when ? &pool->timer : &pool->timer_free;
    while (when && *at && (*at)->when <= when) at = &(*at)->next;
    t->when = when;
    t->next = *at;
    *at = t;
}

/* as the library's, but each event sees the exact cycle at which it is due */
static void run_timers(chip *c) {
    avr_t *a = c->avr;
    avr_cycle_timer_pool_t *pool = &a->cycle_timers;
    avr_cycle_timer_slot_p t;
    uint64_t real = a->cycle;
    while ((t = pool->timer) && t->when <= real) {
        uint64_t when = t->when;
        pool->timer = t->next;
        t->next = NULL;
        a->cycle = when;
        uint64_t again = t->timer(a, when, t->param);
        put_back(pool, t, again > when ? again : 0);
    }
    a->cycle = real;
    uint64_t free_run = t ? t->when - real : 1000;
    a->run_cycle_count = free_run ? free_run : 1;
}

/* Four cycles to answer an interrupt, four more when it ends a sleep (data sheet "Interrupt Response Time"). One
 * instruction is executed after SEI before that; the library counts one too many, so that SEI, SLEEP, CLI would never
 * let an interrupt through. */
static void answer_interrupts(chip *c, int slept) {
    avr_t *a = c->avr;
    int depth = a->interrupts.running_ptr;
    uint16_t sp = a->data[R_SPL] | a->data[R_SPH] << 8;
    int waited = a->interrupt_state < 0;
    avr_service_interrupts(a);
    if (waited && a->interrupt_state > 0) avr_service_interrupts(a);
    int taken = a->interrupts.running_ptr != depth || sp != (a->data[R_SPL] | a->data[R_SPH] << 8);
    if (taken) a->cycle += slept ? 8 : 4;
}

static void step(chip *c) {
    avr_t *a = c->avr;
    avr_flashaddr_t pc = a->pc;
    int slept = 0;
    c->stepping = 1;
    if (a->state == cpu_Running) {
        pc = avr_run_one(a);
        if (a->state == cpu_Crashed && !c->crashed) {  /* past the end of flash the program counter starts over */
            a->state = cpu_Running;
            pc = 0;
            a->cycle++;
        }
        if (a->state == cpu_Sleeping && !(a->data[r_SMCR] & 1)) a->state = cpu_Running;
    } else if (a->state == cpu_Sleeping) {
        uint64_t next = a->cycle_timers.timer ? a->cycle_timers.timer->when : c->fence_at;
        if (next > a->cycle) a->cycle = next;
        slept = 1;
    }
    run_timers(c);
    a->pc = pc;
    if (a->interrupt_state && c->row_until <= a->cycle) answer_interrupts(c, slept);
    c->stepping = 0;
    if (a->run != c->plain_run) restart(c, f_WDRF), set_fence(c, c->fence_at);
    if (c->wanted == WANT_HOLD) chip_hold(c);
    else if (c->wanted) chip_release(c, c->wanted), set_fence(c, c->fence_at);
}

/* nothing is executed, but lines go on changing */
static void wait_to(chip *c, uint64_t cycle) {
    edges_until(c, cycle);
    uart_drop_until(c, cycle);
    c->avr->cycle = cycle;
    if (c->held || cycle != c->held_until) return;
    avr_ioctl(c->avr, AVR_IOCTL_WATCHDOG_RESET, 0);
    uart_reset(c), pins_reset(c);
    set_fence(c, c->fence_at);
}

static void run_to(chip *c, uint64_t cycle) {
    avr_t *a = c->avr;
    if (a->cycle >= cycle) return;
    set_fence(c, cycle);
    while (a->cycle < c->fence_at) {
        int starting = c->held_until > a->cycle;
        if (c->held || starting || c->crashed)
            wait_to(c, !c->held && starting && c->held_until < c->fence_at ? c->held_until : c->fence_at);
        else
            step(c);
    }
}

/* ---- several chips in step ---- */

group *group_new(double slice) {
    group *g = calloc(1, sizeof *g);
    g->slice = slice;
    g->horizon = g->gather = INFINITY;
    return g;
}

void group_free(group *g) { free(g); }

void group_add(group *g, chip *c) {
    c->group = g;
    g->chips[g->count++] = c;
}

/* Something is due at `time`: no chip that can still stop before it runs past it. */
void group_horizon(group *g, double time) {
    if (time >= g->horizon) return;
    g->horizon = time > g->now ? time : g->now;
    chip *c = g->running;
    if (c && cycle_of(c, time) < c->fence_at) set_fence(c, cycle_of(c, time));
}

/* Run all chips up to `until` or the horizon, or to the end of the slice in which a frame ended, bytes have waited for
 * long enough, or something asked to stop. Chips run one after the other in their order; none is ever more than a slice
 * ahead of another. Returns the time reached. */
double group_run(group *g, double until) {
    g->frame_ended = 0;
    g->gather = INFINITY;
    while (g->now < until && g->now < g->horizon && g->now < g->gather && !g->stop && !g->frame_ended) {
        double end = g->now + g->slice < until ? g->now + g->slice : until;
        for (int i = 0; i < g->count; i++) {
            if (g->horizon < end) end = g->horizon;
            g->running = g->chips[i];
            run_to(g->running, cycle_of(g->running, end));
        }
        g->running = NULL;
        g->now = g->horizon < end ? g->horizon : end;
    }
    return g->now;
}

/* From the cycle nearest to `time` on, the clock runs at `rate` cycles a second. */
void chip_rate(chip *c, double time, double rate) {
    uint64_t cycle = cycle_of(c, time);
    c->t0 = time_of(c, cycle);
    c->c0 = cycle;
    c->rate = rate;
}

void chip_load(chip *c, const uint8_t *flash, uint32_t size) { memcpy(c->avr->flash, flash, size); }
void chip_start_at(chip *c, uint32_t pc) { c->avr->reset_pc = pc; }
int chip_crashed(const chip *c) { return c->crashed; }
uint64_t chip_cycle(const chip *c) { return c->avr->cycle; }
uint32_t chip_pc(const chip *c) { return c->avr->pc; }
uint8_t *chip_data(const chip *c) { return c->avr->data; }
uint8_t *chip_flash(const chip *c) { return c->avr->flash; }
uint8_t *chip_eeprom(const chip *c) { return c->eeprom->eeprom; }
int chip_held(const chip *c) { return c->held; }
int chip_sleeping(const chip *c) { return c->avr->state == cpu_Sleeping; }
void chip_start_delay(chip *c, uint64_t cycles) { c->start_delay = cycles; }
uint32_t chip_crash_pc(const chip *c) { return c->crash_pc; }
uint32_t chip_resets(const chip *c, int cause) { return c->resets[cause]; }
