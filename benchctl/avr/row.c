/* Signature row, fuses and lock bits as LPM reads them after a write to SPMCSR (data sheet "Reading the Signature Row
 * from Software"): the first bytes of flash are covered for the few cycles in which that counts. No interrupt is answered
 * meanwhile, since vectors lie there. */
#include "shim.h"

enum { SPMEN = 0x01, BLBSET = 0x08, SIGRD = 0x20, READ_CYCLES = 4 };

static avr_cycle_count_t uncover(avr_t *avr, avr_cycle_count_t when, void *p) {
    (void)when;
    memcpy(avr->flash, CHIP(p)->beneath, sizeof CHIP(p)->beneath);
    CHIP(p)->row_until = 0;
    return 0;
}

static void write_spmcsr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    chip *c = p;
    int signature = v == (SIGRD | SPMEN), fuses = v == (BLBSET | SPMEN);
    if (!signature && !fuses) {
        c->write_spmcsr(avr, addr, v, c->spmcsr_param);
        return;
    }
    if (!c->row_until) memcpy(c->beneath, avr->flash, sizeof c->beneath);
    memcpy(avr->flash, signature ? c->signature : c->row, signature ? sizeof c->signature : sizeof c->row);
    c->row_until = avr->cycle + READ_CYCLES;
    later(c, READ_CYCLES, uncover);
}

/* As LPM has them: low fuse, lock bits, extended fuse, high fuse. */
void chip_fuses(chip *c, const uint8_t *four) { memcpy(c->row, four, sizeof c->row); }

void row_reset(chip *c) {
    if (c->row_until) uncover(c->avr, 0, c);
}

void row_init(chip *c) {
    /* device signature at even addresses, OSCCAL's factory value at 1; unprogrammed bytes are 0xFF */
    static const uint8_t signature[6] = {0x1E, 0xFF, 0x95, 0xFF, 0x0F, 0xFF};
    memcpy(c->signature, signature, sizeof signature);
    memset(c->row, 0xFF, sizeof c->row);
    c->write_spmcsr = c->avr->io[r_SPMCSR - 32].w.c;
    c->spmcsr_param = c->avr->io[r_SPMCSR - 32].w.param;
    hook(c, r_SPMCSR, write_spmcsr, NULL);
}
