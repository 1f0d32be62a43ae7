/* SPI master and TWI master (data sheet "SPI", "2-wire Serial Interface") with the time that the bus takes. */
#include "shim.h"

enum { SPIE = 0x80, SPE = 0x40, MSTR = 0x10, SPIF = 0x80, WCOL = 0x40, PB2 = 2, MISO = 4 };
enum { TWINT = 0x80, TWEA = 0x40, TWSTA = 0x20, TWSTO = 0x10, TWEN = 0x04, TWIE = 0x01 };

/* ---- SPI ---- */

static uint32_t spi_byte_cycles(const chip *c) {
    static const uint8_t dividers[4] = {4, 16, 64, 128};
    uint32_t divider = dividers[c->avr->data[r_SPCR] & 3];
    return 8 * (c->avr->data[r_SPSR] & 1 ? divider / 2 : divider);
}

/* first byte out: the status taken at the falling chip select; the command then decides the rest */
static uint8_t exchange(chip *c, uint8_t out) {
    spi *s = &c->spi;
    if (s->per_byte) return shim_on_spi_byte(c->user, out, c->avr->cycle);
    if (!s->selected) return 0xFF;
    if (!s->got_command) {
        s->got_command = 1;
        s->got_size = 0;
        s->answer_size = shim_on_spi_command(c->user, out, c->avr->cycle);
        return s->status;
    }
    uint32_t n = s->got_size;
    if (n < SPI_LONGEST) s->got[s->got_size++] = out;
    return n < s->answer_size ? s->answer[n] : 0;
}

static avr_cycle_count_t spi_done(avr_t *avr, avr_cycle_count_t when, void *p) {
    chip *c = p;
    (void)when;
    c->spi.bytes++;
    c->spi.busy = 0;
    c->spi.in = exchange(c, c->spi.out);
    avr->data[r_SPSR] &= ~WCOL;
    set_flag(c, c->spi.done);
    return 0;
}

static void write_spdr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    chip *c = p;
    (void)addr;
    uint8_t *control = &avr->data[r_SPCR];
    if (*control & MSTR && c->driven[PB2] > DRIVES_HIGH && !c->level[PB2]) {  /* SS pulled low from outside: no master any more */
        *control &= ~MSTR;
        set_flag(c, c->spi.done);
    }
    if (c->spi.busy) {
        avr->data[r_SPSR] |= WCOL;
        return;
    }
    clear_flag(c, c->spi.done);
    if (~*control & (SPE | MSTR)) return;
    c->spi.busy = 1;
    c->spi.out = v;
    later(c, spi_byte_cycles(c), spi_done);
}

static uint8_t read_spdr(avr_t *avr, avr_io_addr_t addr, void *p) {
    (void)addr;
    clear_flag(CHIP(p), CHIP(p)->spi.done);
    return avr->data[r_SPDR] = CHIP(p)->spi.in;
}

static void write_spsr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    (void)p;
    avr->data[addr] = (avr->data[addr] & ~1) | (v & 1);
}

static void write_spcr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    avr->data[addr] = v;
    if (v & SPIE && avr->data[r_SPSR] & SPIF) set_flag(CHIP(p), CHIP(p)->spi.done);
}

void spi_select(chip *c, int level) {
    spi *s = &c->spi;
    if (level == !s->selected) return;
    s->selected = !level;
    if (s->selected) {
        s->got_command = 0;
        s->status = shim_on_spi_select(c->user, c->avr->cycle);
    } else if (s->got_command)
        shim_on_spi_finish(c->user, c->avr->cycle);
    c->line[MISO] = level ? LINE_FLOATS : s->status & 0x80 ? LINE_HIGH : LINE_LOW;  /* its first bit stands there */
    pins_update(c, MISO);
}

void chip_spi_csn(chip *c, int pin) {
    c->watch[pin] |= WATCH_CSN;
    c->spi.selected = 0;
    spi_select(c, c->level[pin]);
}

void chip_spi_per_byte(chip *c) { c->spi.per_byte = 1; }
uint8_t *chip_spi_answer(chip *c) { return c->spi.answer; }
uint8_t *chip_spi_got(chip *c) { return c->spi.got; }
uint32_t chip_spi_got_size(const chip *c) { return c->spi.got_size; }
uint64_t chip_spi_bytes(const chip *c) { return c->spi.bytes; }

/* ---- TWI: status codes by the data sheet's tables for master transmitter and master receiver mode ---- */

enum { IDLE, STARTED, TRANSMITS, RECEIVES };

static uint32_t twi_bit_cycles(const chip *c) {
    static const uint8_t prescalers[4] = {1, 4, 16, 64};
    return 16 + 2u * c->avr->data[r_TWBR] * prescalers[c->avr->data[r_TWSR] & 3];
}

static void twi_status(chip *c, uint8_t code) {
    c->avr->data[r_TWSR] = code | (c->avr->data[r_TWSR] & 3);
    set_flag(c, c->twi.done);
}

static uint8_t twi_address(chip *c) {
    uint8_t byte = c->avr->data[r_TWDR];
    int ack = shim_on_twi_start(c->user, byte >> 1, byte & 1, c->avr->cycle);
    c->twi.state = byte & 1 ? RECEIVES : TRANSMITS;
    return byte & 1 ? (ack ? 0x40 : 0x48) : (ack ? 0x18 : 0x20);
}

static uint8_t twi_data(chip *c) {
    if (c->twi.state == TRANSMITS) return shim_on_twi_write(c->user, c->avr->data[r_TWDR], c->avr->cycle) ? 0x28 : 0x30;
    int acknowledge = !!(c->avr->data[r_TWCR] & TWEA);
    c->avr->data[r_TWDR] = shim_on_twi_read(c->user, acknowledge, c->avr->cycle);
    return acknowledge ? 0x50 : 0x58;
}

static avr_cycle_count_t twi_done(avr_t *avr, avr_cycle_count_t when, void *p) {
    chip *c = p;
    switch (c->twi.action) {
    case TWSTO:
        if (c->twi.state) shim_on_twi_stop(c->user, avr->cycle);
        c->twi.state = IDLE;
        avr->data[r_TWCR] &= ~TWSTO;
        avr->data[r_TWSR] |= 0xF8;
        if (!(avr->data[r_TWCR] & TWSTA)) return 0;
        c->twi.action = TWSTA;
        return when + twi_bit_cycles(c);
    case TWSTA: {
        uint8_t code = c->twi.state ? 0x10 : 0x08;
        c->twi.state = STARTED;
        twi_status(c, code);
        return 0;
    }
    }
    twi_status(c, c->twi.state == STARTED ? twi_address(c) : twi_data(c));
    return 0;
}

static void twi_begin(chip *c, uint8_t action, int bits) {
    c->twi.action = action;
    later(c, (uint64_t)bits * twi_bit_cycles(c), twi_done);
}

static void write_twcr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    chip *c = p;
    uint8_t standing = avr->data[addr] & TWINT;
    avr->data[addr] = (v & ~TWINT) | standing;
    if (!(v & TWEN)) {
        avr_cycle_timer_cancel(avr, twi_done, c);
        clear_flag(c, c->twi.done);
        c->twi.state = IDLE;
        avr->data[r_TWSR] |= 0xF8;
        return;
    }
    if (v & TWINT) clear_flag(c, c->twi.done);
    else if (standing) {
        if (v & TWIE) set_flag(c, c->twi.done);
        return;
    }
    if (avr_cycle_timer_status(avr, twi_done, c)) return;
    if (v & TWSTO) twi_begin(c, TWSTO, 1);
    else if (v & TWSTA) twi_begin(c, TWSTA, 1);
    else if (v & TWINT && c->twi.state) twi_begin(c, TWINT, 9);
}

static void write_twsr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    (void)p;
    avr->data[addr] = (avr->data[addr] & 0xF8) | (v & 3);
}

void buses_reset(chip *c) {
    c->spi.busy = c->spi.in = 0;
    clear_flag(c, c->spi.done);
    c->twi.state = IDLE;
    clear_flag(c, c->twi.done);
    c->avr->data[r_TWSR] = 0xF8;
    c->avr->data[r_TWDR] = 0xFF;
    c->avr->data[r_TWAR] = 0xFE;
}

void buses_init(chip *c) {
    avr_spi_t *lib_spi = module(c, "spi", 0);
    avr_twi_t *lib_twi = module(c, "twi", 0);
    c->spi.done = &lib_spi->spi;
    c->twi.done = &lib_twi->twi;
    hook(c, r_SPDR, write_spdr, read_spdr);
    hook(c, r_SPSR, write_spsr, NULL);
    hook(c, r_SPCR, write_spcr, NULL);
    hook(c, r_TWCR, write_twcr, NULL);
    hook(c, r_TWSR, write_twsr, NULL);
    hook(c, r_TWDR, NULL, NULL);
    buses_reset(c);
}
