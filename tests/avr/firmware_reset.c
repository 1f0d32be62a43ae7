/* Says why it started and what a byte of RAM that no start-up code touches holds; then sets that byte to 0x5A. On 'w' it
 * hangs with the watchdog on, on 'b' it meets an opcode that does not
 * exist, on 'e' it jumps into erased flash. */
#include "firmware.h"
static uint8_t kept __attribute__((section(".noinit")));
static uint8_t cause __attribute__((section(".noinit")));
void early(void) __attribute__((naked, used, section(".init3")));
void early(void) { cause = MCUSR; MCUSR = 0; wdt_disable(); }
int main(void) {
    line_on();
    DDRD = _BV(4);
    PORTD = _BV(4);
    put(cause);
    put(kept);
    kept = 0x5A;
    for (;;) {
        uint8_t what = get();
        if (what == 'w') { wdt_enable(WDTO_30MS); for (;;); }
        if (what == 'b') asm volatile(".word 0x0001");
        if (what == 'e') ((void (*)(void))0x3000)();
        put(what);
    }
}
