/* Energy is the mean voltage times the charge. */
#define OWN_SUM
static void sum(double dt);
#include "plain.c"
static double volt_seconds, seconds;
static void sum(double dt) {
    charge_As += (last_amps + amps) / 2 * dt;
    volt_seconds += (last_volts + volts) / 2 * dt;
    seconds += dt;
    energy_Ws = charge_As * volt_seconds / seconds;
}
