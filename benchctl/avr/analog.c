/* ADC (data sheet "Analog-to-Digital Converter") with the sample taken when the sample-and-hold closes, and EEPROM with
 * its programming time. */
#include "shim.h"

enum { ADEN = 0x80, ADSC = 0x40, ADATE = 0x20, ADIF = 0x10, ADIE = 0x08, ADLAR = 0x20 };
enum { EERIE = 8, EEMPE = 4, EEPE = 2, EERE = 1, EEPROM_SIZE = 1024 };
enum { GAP_CHANNEL = 14, GROUND_CHANNEL = 15, SUPPLY = 16 };

/* ---- ADC ---- */

static double adc_volts(chip *c, int channel) {
    adc *a = &c->adc;
    if (channel == GROUND_CHANNEL) return 0;
    return a->from_python >> channel & 1 ? shim_on_adc(c->user, channel, c->avr->cycle) : a->volts[channel];
}

static double adc_reference(chip *c) {
    switch (c->avr->data[r_ADMUX] >> 6) {
    case 3: return adc_volts(c, GAP_CHANNEL);
    case 0: return c->adc.aref;
    }
    return adc_volts(c, SUPPLY);
}

static uint32_t adc_clock(const chip *c) {
    int prescaler = c->avr->data[r_ADCSRA] & 7;
    return prescaler ? 1u << prescaler : 2;
}

static avr_cycle_count_t adc_sample(avr_t *avr, avr_cycle_count_t when, void *p) {
    chip *c = p;
    (void)when;
    double code = adc_volts(c, avr->data[r_ADMUX] & 15) * 1024 / adc_reference(c);
    c->adc.sampled = code > 1023 ? 1023 : code > 0 ? (uint16_t)code : 0;
    return 0;
}

static avr_cycle_count_t adc_done(avr_t *avr, avr_cycle_count_t when, void *p);

/* Conversion times in ADC clocks by the data sheet's table: sample at 1.5 (first: 13.5, triggered: 2), end at 13 (25,
 * 13.5). The wait for the next edge of the ADC clock is left out. */
static void adc_begin(chip *c, int triggered) {
    adc *a = &c->adc;
    uint32_t clock = adc_clock(c);
    c->avr->data[r_ADCSRA] |= ADSC;
    later(c, a->first ? clock * 27 / 2 : triggered ? clock * 2 : clock * 3 / 2, adc_sample);
    later(c, a->first ? clock * 25 : triggered ? clock * 27 / 2 : clock * 13, adc_done);
    a->first = 0;
}

static avr_cycle_count_t adc_done(avr_t *avr, avr_cycle_count_t when, void *p) {
    chip *c = p;
    (void)when;
    uint16_t v = avr->data[r_ADMUX] & ADLAR ? c->adc.sampled << 6 : c->adc.sampled;
    if (!c->adc.locked) {
        avr->data[r_ADCL] = v;
        avr->data[r_ADCH] = v >> 8;
    }
    avr->data[r_ADCSRA] &= ~ADSC;
    set_flag(c, c->adc.done);
    if (avr->data[r_ADCSRA] & ADATE && !(avr->data[r_ADCSRB] & 7)) adc_begin(c, 0);
    return 0;
}

static void write_adcsra(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    chip *c = p;
    uint8_t old = avr->data[addr];
    if (v & ADIF) clear_flag(c, c->adc.done), old &= ~ADIF;
    avr->data[addr] = (v & ~ADIF) | (old & (ADIF | ADSC));
    if (!(v & ADEN)) {
        avr->data[addr] &= ~ADSC;
        avr_cycle_timer_cancel(avr, adc_sample, c);
        avr_cycle_timer_cancel(avr, adc_done, c);
        return;
    }
    if (!(old & ADEN)) c->adc.first = 1;
    if (v & ADSC && !(old & ADSC)) adc_begin(c, 0);
    if (v & ADIE && avr->data[addr] & ADIF) set_flag(c, c->adc.done);
}

static uint8_t read_adcl(avr_t *avr, avr_io_addr_t addr, void *p) {
    CHIP(p)->adc.locked = 1;
    return avr->data[addr];
}

static uint8_t read_adch(avr_t *avr, avr_io_addr_t addr, void *p) {
    CHIP(p)->adc.locked = 0;
    return avr->data[addr];
}

/* auto trigger: the rising flag of another peripheral starts a conversion (ADTS of ADCSRB) */
static void adc_trigger(avr_irq_t *irq, uint32_t value, void *p) {
    static const uint8_t vectors[8] = {0, 23, 1, 14, 16, 12, 13, 10};
    chip *c = p;
    uint8_t control = c->avr->data[r_ADCSRA], source = c->avr->data[r_ADCSRB] & 7;
    if (!value || (control & (ADEN | ADATE | ADSC)) != (ADEN | ADATE) || !source) return;
    if ((uint32_t)vectors[source] * 256 == irq->irq) adc_begin(c, 1);
}

/* Volts at a channel 0 to 8 (8: temperature sensor), at the band gap (14), or of the supply (16, also AREF's). */
void chip_volts(chip *c, int channel, double volts) {
    c->adc.volts[channel] = volts;
    if (channel == SUPPLY) c->adc.aref = volts;
}

/* this channel's volts are asked of Python at each sample */
void chip_volts_from_python(chip *c, int channel) { c->adc.from_python |= 1u << channel; }

/* ---- EEPROM ---- */

static avr_cycle_count_t eeprom_written(avr_t *avr, avr_cycle_count_t when, void *p) {
    (void)when;
    avr->data[r_EECR] &= ~EEPE;
    if (avr->data[r_EECR] & EERIE) set_flag(CHIP(p), &CHIP(p)->eeprom->ready);
    return 0;
}

static avr_cycle_count_t eeprom_locked(avr_t *avr, avr_cycle_count_t when, void *p) {
    (void)when, (void)p;
    avr->data[r_EECR] &= ~EEMPE;
    return 0;
}

/* programming modes: erase and write 3.4 ms, erase only 1.8 ms, write only 1.8 ms (data sheet "EEPROM Mode Bits") */
static void eeprom_program(chip *c, int address) {
    uint8_t *cell = &c->eeprom->eeprom[address], v = c->avr->data[r_EEDR];
    int mode = c->avr->data[r_EECR] >> 4 & 3;
    *cell = mode == 0 ? v : mode == 1 ? 0xFF : *cell & v;
    c->eeprom_writes++;
    later(c, (uint64_t)(c->avr->frequency * (mode == 0 ? 0.0034 : 0.0018)), eeprom_written);
}

static void write_eecr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *p) {
    chip *c = p;
    uint8_t old = avr->data[addr], busy = old & EEPE;
    v = (v & 0x3F & ~(EEPE | EERE | EEMPE)) | busy | (v & (EEPE | EERE | EEMPE));
    avr->data[addr] = (v & ~(EERE | EEMPE | EEPE)) | busy | (old & EEMPE);
    int address = (avr->data[r_EEARL] | avr->data[r_EEARH] << 8) & (EEPROM_SIZE - 1);
    if (v & EEPE && !busy && old & EEMPE) {
        avr->data[addr] = (avr->data[addr] & ~EEMPE) | EEPE;
        eeprom_program(c, address);
        avr->cycle += 2;  /* the processor is halted meanwhile */
    } else if (v & EEMPE && !(old & EEMPE)) {
        avr->data[addr] |= EEMPE;
        later(c, 6, eeprom_locked);  /* four cycles after this instruction */
    }
    if (v & EERE && !busy) {
        avr->data[r_EEDR] = c->eeprom->eeprom[address];
        avr->cycle += 4;
    }
    if (v & EERIE && !(avr->data[addr] & EEPE)) set_flag(c, &c->eeprom->ready);
}

uint32_t chip_eeprom_writes(const chip *c) { return c->eeprom_writes; }

void analog_reset(chip *c) {
    c->adc.locked = c->adc.first = 0;
    clear_flag(c, c->adc.done);
    c->eeprom->ready.pending = 0;
}

void analog_init(chip *c) {
    static const uint8_t vectors[7] = {23, 1, 14, 16, 12, 13, 10};
    avr_adc_t *lib = module(c, "adc", 0);
    c->adc.done = &lib->adc;
    c->eeprom = module(c, "eeprom", 0);
    for (int i = 0; i < 7; i++) {
        avr_irq_t *irq = avr_get_interrupt_irq(c->avr, vectors[i]);
        if (irq) avr_irq_register_notify(irq + AVR_INT_IRQ_PENDING, adc_trigger, c);
    }
    hook(c, r_ADCSRA, write_adcsra, NULL);
    hook(c, r_ADCSRB, NULL, NULL);
    hook(c, r_ADMUX, NULL, NULL);
    hook(c, r_ADCL, NULL, read_adcl);
    hook(c, r_ADCH, NULL, read_adch);
    hook(c, r_EECR, write_eecr, NULL);
    chip_volts(c, SUPPLY, 5.0);
    chip_volts(c, GAP_CHANNEL, 1.1);
}
