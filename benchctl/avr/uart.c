/* USART 0, asynchronous, 8N1 (data sheet "USART0"): both directions bit by bit in time, so that a wrong baud rate or a
 * bad oscillator damages bytes as it does on the wire. Receiver: two-byte FIFO behind the shift register. */
#include "shim.h"

/* seconds that bytes may wait before they are fetched, unless a frame ends: less than the host's USB chip would */
#define GATHER 0.5e-3

enum { RXC = 0x80, TXC = 0x40, UDRE = 0x20, FE = 0x10, DOR = 0x08, U2X = 0x02 };  /* UCSR0A */
enum { RXCIE = 0x80, TXCIE = 0x40, UDRIE = 0x20, RXEN = 0x10, TXEN = 0x08 };      /* UCSR0B */

static double bit_cycles(const chip *c) {
    const uint8_t *d = c->avr->data;
    int divisor = (d[r_UBRR0L] | (d[r_UBRR0H] & 0x0F) << 8) + 1;
    return divisor * (d[r_UCSR0A] & U2X ? 8.0 : 16.0);
}

/* level `bits` bit-times after the start edge of a frame: start, eight data bits, then high */
static int frame_level(uint8_t byte, double bits) {
    int n = (int)bits;
    return n == 0 ? 0 : n <= 8 ? byte >> (n - 1) & 1 : 1;
}

static uint8_t sampled(uint8_t byte, double sender_bit, double receiver_bit) {
    double ratio = receiver_bit / sender_bit;
    uint8_t got = 0;
    for (int i = 1; i <= 8; i++) got |= frame_level(byte, (i + 0.5) * ratio) << (i - 1);
    return got;
}

/* ---- from the chip ---- */

static avr_cycle_count_t shifted_out(avr_t *avr, avr_cycle_count_t when, void *p);

static void start_shifting(chip *c, uint8_t byte) {
    uart *u = &c->uart;
    u->shifting = 1;
    u->shift = byte;
    later(c, (uint64_t)(10 * bit_cycles(c)), shifted_out);
}

static void give_out(chip *c, uint8_t byte) {
    uart *u = &c->uart;
    if (u->out_head - u->out_tail == UART_RING) {
        u->lost_out++;
        return;
    }
    uint8_t heard = sampled(byte, bit_cycles(c), u->line_bit);
    u->out[u->out_head++ % UART_RING] = (out_byte){c->avr->cycle, heard};
    group *g = c->group;
    if (!g) return;
    g->frame_ended |= !heard;
    double due = time_of(c, c->avr->cycle) + GATHER;
    if (due < g->gather) g->gather = due;
}

static avr_cycle_count_t shifted_out(avr_t *avr, avr_cycle_count_t when, void *p) {
    chip *c = p;
    uart *u = &c->uart;
    (void)when;
    give_out(c, u->shift);
    u->shifting = 0;
    if (!u->has_next) {
        set_flag(c, u->sent);
        return 0;
    }
    u->has_next = 0;
    start_shifting(c, u->next);
    avr->data[r_UCSR0A] |= UDRE;
    set_flag(c, u->empty);
    return 0;
}

static void write_udr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    chip *c = p;
    uart *u = &c->uart;
    (void)addr;
    if (!(avr->data[r_UCSR0B] & TXEN) || u->has_next) return;
    if (!u->shifting) {
        start_shifting(c, v);
        set_flag(c, u->empty);
        return;
    }
    u->has_next = 1;
    u->next = v;
    clear_flag(c, u->empty);
}

/* ---- to the chip ---- */

static avr_cycle_count_t byte_in(avr_t *avr, avr_cycle_count_t when, void *p);

/* a library timer for the start edge of the next byte on the line */
static void await_byte(chip *c) {
    uart *u = &c->uart;
    if (u->receiving || u->in_head == u->in_tail) return;
    double start = u->in[u->in_tail % UART_RING].start, now = (double)c->avr->cycle;
    later(c, start > now ? (uint64_t)(start - now + 0.5) : 0, byte_in);
}

static void show_received(chip *c) {
    uart *u = &c->uart;
    uint8_t *a = &c->avr->data[r_UCSR0A];
    *a &= ~(FE | DOR | RXC);
    if (!u->in_fifo) {
        clear_flag(c, u->received);
        return;
    }
    *a |= RXC | (u->framing[0] ? FE : 0) | (u->overrun ? DOR : 0);
    set_flag(c, u->received);
}

static void receive(chip *c, uint8_t byte, int framing_error) {
    uart *u = &c->uart;
    u->framing_errors += framing_error;
    if (u->in_fifo == 2) {  /* the data sheet lets the shift register hold a third until the next start bit */
        u->overrun = 1;
        u->overruns++;
    } else {
        u->framing[u->in_fifo] = framing_error;
        u->fifo[u->in_fifo++] = byte;
    }
    show_received(c);
}

/* level of the line at a cycle: that of the byte on it, else high */
static int line_level(const uart *u, double cycle) {
    for (uint32_t i = u->in_tail; i != u->in_head; i++) {
        const line_byte *b = &u->in[i % UART_RING];
        if (cycle < b->start) return 1;
        if (cycle < b->start + 10 * u->line_bit) return frame_level(b->byte, (cycle - b->start) / u->line_bit);
    }
    return 1;
}

static avr_cycle_count_t byte_in(avr_t *avr, avr_cycle_count_t when, void *p) {
    chip *c = p;
    uart *u = &c->uart;
    if (u->in_tail == u->in_head) {  /* what was to come has been dropped meanwhile */
        u->receiving = 0;
        return 0;
    }
    double bit = bit_cycles(c), start = u->in[u->in_tail % UART_RING].start;
    if (!u->receiving && start >= when + 1.0) {
        await_byte(c);
        return 0;
    }
    if (!u->receiving) {  /* the start edge */
        u->receiving = 1;
        return when + (uint64_t)(9.5 * bit);
    }
    u->receiving = 0;
    uint8_t got = 0;
    for (int i = 1; i <= 8; i++) got |= line_level(u, start + (i + 0.5) * bit) << (i - 1);
    int stop = line_level(u, start + 9.5 * bit);
    if (avr->data[r_UCSR0B] & RXEN) receive(c, got, !stop);
    u->in_tail++;
    while (u->in_tail != u->in_head && u->in[u->in_tail % UART_RING].start + bit < start + 9.5 * bit) u->in_tail++;
    await_byte(c);
    return 0;
}

static uint8_t read_udr(avr_t *avr, avr_io_addr_t addr, void *p) {
    chip *c = p;
    uart *u = &c->uart;
    uint8_t v = u->fifo[0];
    if (u->in_fifo && --u->in_fifo) {
        u->fifo[0] = u->fifo[1];
        u->framing[0] = u->framing[1];
    }
    u->overrun = 0;
    clear_flag(c, u->received);
    show_received(c);
    avr->data[addr] = v;
    return v;
}

static void write_ucsra(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    if (written_bits(CHIP(p), v) & TXC) clear_flag(CHIP(p), CHIP(p)->uart.sent);
    avr->data[addr] = (avr->data[addr] & ~(U2X | 1)) | (v & (U2X | 1));
}

static void write_ucsrb(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    chip *c = p;
    uart *u = &c->uart;
    avr->data[addr] = v;
    if (!(v & RXEN)) u->in_fifo = 0;
    uint8_t a = avr->data[r_UCSR0A];
    if (v & a & RXC) set_flag(c, u->received);
    if (v & UDRIE && a & UDRE) set_flag(c, u->empty);
    if (v & a & TXC) set_flag(c, u->sent);
}

/* ---- for the host ---- */

/* The host's line: one bit lasts so many cycles of the chip. */
void chip_line(chip *c, double bit) { c->uart.line_bit = bit; }

/* Bytes that the host begins to send at `start` or when its line is free; returns how many found room. */
uint32_t chip_send(chip *c, const uint8_t *data, uint32_t size, double start) {
    uart *u = &c->uart;
    uint32_t n = 0;
    if (u->line_free < start) u->line_free = start;
    for (; n < size && u->in_head - u->in_tail < UART_RING; n++) {
        u->in[u->in_head++ % UART_RING] = (line_byte){u->line_free, data[n]};
        u->line_free += 10 * u->line_bit;
    }
    if (n && !u->receiving) await_byte(c);
    return n;
}

/* Bytes ahead of all that has not begun yet. */
uint32_t chip_send_first(chip *c, const uint8_t *data, uint32_t size, double start) {
    static uint8_t behind[UART_RING];
    uart *u = &c->uart;
    uint32_t kept = u->in_tail, n = 0;
    while (kept != u->in_head && u->in[kept % UART_RING].start <= start) kept++;
    for (uint32_t i = kept; i != u->in_head; i++) behind[n++] = u->in[i % UART_RING].byte;
    u->in_head = kept;
    u->line_free = kept != u->in_tail ? u->in[(kept - 1) % UART_RING].start + 10 * u->line_bit : start;
    uint32_t sent = chip_send(c, data, size, start);
    chip_send(c, behind, n, start);
    return sent;
}

/* What the chip has sent, with the cycle of each byte's end. */
uint32_t chip_receive(chip *c, uint8_t *data, uint64_t *at, uint32_t size) {
    uart *u = &c->uart;
    uint32_t n = 0;
    for (; n < size && u->out_tail != u->out_head; n++) {
        const out_byte *b = &u->out[u->out_tail++ % UART_RING];
        data[n] = b->byte;
        at[n] = b->at;
    }
    return n;
}

uint32_t chip_waiting(const chip *c) { return c->uart.out_head - c->uart.out_tail; }
uint32_t chip_overruns(const chip *c) { return c->uart.overruns; }
uint32_t chip_framing_errors(const chip *c) { return c->uart.framing_errors; }

/* bytes that came while nobody listened are gone */
void uart_drop_until(chip *c, uint64_t cycle) {
    uart *u = &c->uart;
    while (u->in_tail != u->in_head && u->in[u->in_tail % UART_RING].start < (double)cycle) u->in_tail++;
    u->receiving = 0;
}

void uart_reset(chip *c) {
    uart *u = &c->uart;
    u->in_fifo = u->overrun = u->shifting = u->has_next = u->receiving = 0;
    c->avr->data[r_UCSR0A] = UDRE;
    c->avr->data[r_UCSR0C] = 0x06;
    clear_flag(c, u->received), clear_flag(c, u->sent);
    u->empty->pending = 0;
    await_byte(c);
}

void uart_init(chip *c) {
    avr_uart_t *lib = module(c, "uart", 0);
    c->uart.received = &lib->rxc;
    c->uart.sent = &lib->txc;
    c->uart.empty = &lib->udrc;
    c->uart.line_bit = 32;
    hook(c, r_UDR0, write_udr, read_udr);
    hook(c, r_UCSR0A, write_ucsra, NULL);
    hook(c, r_UCSR0B, write_ucsrb, NULL);
    hook(c, r_UCSR0B + 1, NULL, NULL);
    hook(c, r_UBRR0L, NULL, NULL);
}
