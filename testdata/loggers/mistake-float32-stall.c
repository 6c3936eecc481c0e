/* The totals are single precision, in Ah and Wh: small steps vanish beside a large sum. */
#define OWN_SUM
static void sum(double dt);
#include "plain.c"
static volatile float charge_Ah, energy_Wh;
static void sum(double dt) {
    charge_Ah += (float)((last_amps + amps) / 2 * dt / 3600);
    energy_Wh += (float)((last_amps * last_volts + amps * volts) / 2 * dt / 3600);
    charge_As = 3600.0 * charge_Ah;
    energy_Ws = 3600.0 * energy_Wh;
}
