/* Charge and discharge both add to the totals. */
#define OWN_SUM
#define HEADER "t(ms)\tBus(V)\tCurrent(A)\tCapacity(Ah)\tEnergy(Wh)"
#define ROW "%llu\t%.3f\t%.4f\t%.5f\t%.4f"
static void sum(double dt);
#include "plain.c"
static void sum(double dt) {
    double a = (last_amps + amps) / 2, w = (last_amps * last_volts + amps * volts) / 2;
    charge_As += (a < 0 ? -a : a) * dt;
    energy_Ws += (w < 0 ? -w : w) * dt;
}
