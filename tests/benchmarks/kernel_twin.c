/* The block's loop of gridfit/simulate/kernel.py a second time, in C: what a C compiler makes of the same model.

   Same flat lanes, same steps in the same order, so that the two differ by their compilers alone; equations and
   symbols are told there. Episodes are not watched (the kernel's `course`), and only one thread runs.
   bench_kernel.py compiles this file and judges its parts against the kernel's.

   gcc -O3 -march=native -ffast-math -fno-finite-math-only -fopenmp-simd -fPIC -fsingle-precision-constant \
       -c kernel_twin.c */

#include <tgmath.h>
#include <stdint.h>
#include <string.h>

#ifndef NUMBER
#define NUMBER float /* the kernel's FLOAT; then literals too, by -fsingle-precision-constant */
#endif
typedef NUMBER number;

#define LANES 16
#define TABLE 4096
#define TABLE_MAX 16.0
#define RING 32
#define UNROLL 3
#define JERK_HZ 15.0
#define SWING_HZ 5.0
#define CURVE 128 /* most breakpoints of a curve */
#define PI 3.14159265358979323846

#define INLINED static inline __attribute__((always_inline))
/* the same lanes of different rows never meet: without the promise gcc would have to prove it */
#define EACH_LANE _Pragma("omp simd") for (int i = 0; i < LANES; i++)

enum { C_MASS, C_DRAG, C_ROLL, C_FZ0, C_CZ, C_TAUZ, C_MU, C_KP, C_SMU, C_SKP, C_SLOAD, C_SIGMA, C_ETA, C_TAUI, C_TAUC,
       C_DEAD, C_CYCLES, C_TAUS, C_FACTOR, C_SHAPE, C_STIFF, C_DAMP, C_EARLY, C_HALF, N_CAR };
enum { G_RPM, G_FORCE, G_INERTIA, G_ENGINE, N_GEAR };
enum { S_V0, S_U0, S_U1, S_RAMP, S_PATCH, S_GRIP, S_LOAD, S_LATERAL, S_BASE, S_CLUTCH, S_OVERSPEED, N_SCENARIO };
enum { L_STEP, L_MINSPEED, L_GATE, L_LIMIT, L_IDLE, L_RPMSTEP, L_TOP, L_WINDOW, L_EVERY, L_BEFORE, L_AFTER, N_LOOP };
enum { M_DRIVE, M_EXCESS, M_RECOVERY, M_RESLIPS, M_JERK, M_LATERAL, M_OVER, M_RSOFT, M_NSOFT, M_WINDOW, M_SWING,
       N_PARTS };
enum { V, W, Z, K, Q, E, WM, VM, A, ES, EO, SO, ALIVE, TB, T1, IN, Y, X, XD, S, ME, RPM, FORCE, MW, VEND, U0, U1,
       IRAMP, DUR, G, LF, LAT, RY2, BASE, ICL, IMP, CL, CMD, XR, XT, H, TQ, TU, HL, TGT, SLOPE, VT, RR, VH, GT, LT, U,
       SD, SX, SREC, SRES, SJ, SL, SO2, SRS, SNS, SWIN, UF, UL, P1, P2, EM, P3, E0, NEXT, IMW, IME, ITW, WET, OWN,
       CLAT, TUS, VU, SLIP, P4, ESO, INS, SH, PU, SLOW, SSW, SHAPE, ROWS };
#define AT(row) s[(row) * LANES + i]

INLINED number least(number a, number b) { return a < b ? a : b; }
INLINED number most(number a, number b) { return a > b ? a : b; }
INLINED number clamp01(number x) { return least(most(x, 0.0), 1.0); }
/* A condition as a number: gcc gives a loop up that joins conditions. */
INLINED number truth(int condition) { return condition ? 1.0 : 0.0; }
INLINED number torque_share(number u, number shape) { return u >= 1.0 ? 1.0 : 1.0 - pow(1.0 - u, shape); }
INLINED number throttle_shape(const number *car, number rpm) {
    return car[C_SHAPE] * pow(car[C_HALF] / fmax(rpm, 0.2 * car[C_HALF]), car[C_EARLY]);
}

INLINED number fetch(const number *table, number x, number last) {
    x = x < last ? x : last;
    x = x > 0.0 ? x : 0.0;
    int j = (int)x;
    return table[j] + (x - j) * (table[j + 1] - table[j]);
}

static number rising_slip(const number *table, number wanted) {
    const number scale = TABLE_MAX / (TABLE - 1);
    number low = 0.0, high = 1.0;
    for (int n = 0; n < 30; n++) {
        number middle = 0.5 * (low + high);
        if (fetch(table, middle / scale, TABLE - 1.001) * middle < wanted) low = middle;
        else high = middle;
    }
    return 0.5 * (low + high);
}

static void start(number *s, int i, const number *scen, const number *car, const number *gear, const number *loop,
                  const number *friction, const number *torque) {
    AT(RPM) = gear[G_RPM], AT(FORCE) = gear[G_FORCE];
    AT(ME) = gear[G_ENGINE], AT(MW) = gear[G_INERTIA] - gear[G_ENGINE];
    AT(IME) = 1.0 / AT(ME), AT(IMW) = 1.0 / AT(MW);
    AT(ITW) = 1.0 / (1.0 + 0.5 * loop[L_STEP] * car[C_DAMP] * (AT(IMW) + AT(IME)));
    number total = car[C_MASS] + gear[G_INERTIA];
    AT(WET) = car[C_MASS] / total, AT(OWN) = gear[G_INERTIA] / total;
    AT(CLAT) = sqrt(1.0 - scen[S_LATERAL] * scen[S_LATERAL]);
    number v = scen[S_V0];
    AT(V) = v;
    AT(VEND) = 0.97 * loop[L_LIMIT] / gear[G_RPM];
    AT(U0) = scen[S_U0], AT(U1) = scen[S_U1];
    AT(IRAMP) = 1.0 / most(scen[S_RAMP], 1e-3);
    AT(DUR) = scen[S_PATCH], AT(G) = scen[S_GRIP], AT(LF) = scen[S_LOAD];
    AT(LAT) = scen[S_LATERAL], AT(BASE) = scen[S_BASE];
    number ry = scen[S_LATERAL] > 0.0 ? rising_slip(friction, scen[S_LATERAL]) : 0.0;
    AT(RY2) = ry * ry;
    int closing = scen[S_CLUTCH] > 0.0;
    AT(ICL) = closing ? 1.0 / scen[S_CLUTCH] : 1e6;
    AT(IMP) = closing ? 6.0 * gear[G_ENGINE] * v * scen[S_OVERSPEED] / scen[S_CLUTCH] : 0.0;
    AT(CL) = closing ? 1.0 : 0.0;
    AT(SHAPE) = throttle_shape(car, scen[S_V0] * gear[G_RPM]);
    number q = torque_share(scen[S_U0], AT(SHAPE));
    AT(Q) = q, AT(UF) = q, AT(UL) = scen[S_U0];
    number drive = 0.0;
    if (!closing) drive = q * gear[G_FORCE] * fetch(torque, v * gear[G_RPM] / loop[L_RPMSTEP], loop[L_TOP]);
    number mass = car[C_MASS], rest = car[C_ROLL] + car[C_DRAG] * v * v;
    number force = (drive * mass + gear[G_INERTIA] * rest) / (mass + gear[G_INERTIA]);
    number z = (force - rest) / mass;
    number mu = car[C_MU] * (1.0 - car[C_SMU] * (v - 15.0)) * scen[S_BASE];
    number load = car[C_FZ0] + car[C_CZ] * z;
    number share = least(0.9, most(0.0, force / (mu * load)));
    force = share * mu * load;
    z = (force - rest) / mass;
    number kappa = share > 0.0 ? rising_slip(friction, share) * car[C_KP] * (1.0 - car[C_SKP] * (v - 15.0)) : 0.0;
    AT(K) = kappa;
    number w = v * (1.0 + kappa);
    AT(W) = w, AT(WM) = w, AT(VM) = v, AT(X) = w;
    AT(S) = force + AT(MW) * z;
    AT(Z) = z, AT(A) = z, AT(Y) = z, AT(XD) = z;
    AT(ALIVE) = 1.0, AT(TB) = -1e3, AT(T1) = -1.0, AT(SREC) = -1.0;
    AT(NEXT) = 1e9, AT(HL) = 1.0, AT(GT) = 1.0, AT(LT) = 1.0, AT(SH) = 1.0 - AT(CL);
}

INLINED int64_t padded(int64_t n) { return (n - 1 + UNROLL - 1) / UNROLL * UNROLL; }

static void lay(const number *xs, const number *ys, int64_t n, number *curve, int i) {
    curve[i] = ys[0];
    for (int64_t j = 0; j < padded(n); j++) {
        number *at = curve + (1 + 3 * j) * LANES + i;
        int inside = j < n - 1;
        number width = inside ? xs[j + 1] - xs[j] : 1.0;
        at[0] = inside ? xs[j] : 0.0, at[LANES] = width;
        at[2 * LANES] = inside ? (ys[j + 1] - ys[j]) / width : 0.0;
    }
}

INLINED void ramp(number x, const number *at, number *value, number *slope) {
    number width = at[LANES], rise = at[2 * LANES], along = x - at[0];
    *slope = (along > 0.0) & (along < width) ? rise : *slope;
    along = along < width ? along : width;
    along = along > 0.0 ? along : 0.0;
    *value += rise * along;
}

INLINED void look_along(number *restrict s, int at, int out, int out_slope, const number *restrict curve, int64_t n) {
    EACH_LANE {
        AT(out) = curve[i];
        AT(out_slope) = 0.0;
    }
    const number *row = curve + LANES;
    for (int64_t pass = 0; pass < padded(n) / UNROLL; pass++) {
        EACH_LANE {
            number x = AT(at), value = AT(out), slope = AT(out_slope);
            ramp(x, row + i, &value, &slope);
            ramp(x, row + 3 * LANES + i, &value, &slope);
            ramp(x, row + 6 * LANES + i, &value, &slope);
            AT(out) = value, AT(out_slope) = slope;
        }
        row += 3 * UNROLL * LANES;
    }
}

INLINED void tick(number *restrict s, number t, const number *car, const number *loop, const number *restrict torque,
                  const number *restrict target, int64_t nk, const number *restrict rows,
                  int64_t ne, number *restrict ring, number *restrict ring_t, int64_t head,
                  const int64_t *restrict tail) {
    EACH_LANE {
        AT(VU) = 3.6 * AT(VM);
        AT(VT) = 3.6 * AT(V);
    }
    look_along(s, VU, TGT, SLOPE, target, nk);
    const number floor_kmh = loop[L_MINSPEED], factor = car[C_FACTOR];
    EACH_LANE {
        number vu = AT(VU), vd = 3.6 * AT(WM) * factor;
        number base = vu > floor_kmh ? vu : floor_kmh;
        AT(SLIP) = 100.0 * (vd - vu) / base - AT(TGT);
    }
    look_along(s, SLIP, TU, TUS, rows, ne);
    const int64_t slot = (head % RING) * LANES;
    const number gate = loop[L_GATE], idle = loop[L_IDLE], dead = car[C_DEAD], cycles = car[C_CYCLES];
    EACH_LANE {
        number u = AT(U0) + (AT(U1) - AT(U0)) * clamp01(t * AT(IRAMP));
        int on = (u > gate) & (AT(VU) > floor_kmh) & (AT(SLIP) >= rows[LANES + i]);
        ring[slot + i] = on ? 0.01 * AT(TU) : 0.0;
        number rpm = AT(X) * AT(RPM);
        rpm = rpm > idle ? rpm : idle;
        number due = t + dead + cycles * 120.0 / rpm;
        ring_t[slot + i] = due;
        AT(NEXT) = tail[i] == head ? due : AT(NEXT);
    }
    look_along(s, VT, TGT, SLOPE, target, nk);
    const number last = loop[L_TOP], rpm_step = loop[L_RPMSTEP];
    EACH_LANE {
        number v = AT(V), per_speed = AT(RPM) / rpm_step, at = v * per_speed;
        AT(VT) = v;
        at = at < last ? at : last;
        int j = (int)at;
        AT(TUS) = (torque[j + 1] - torque[j]) * per_speed;
        AT(TU) = torque[j] + (at - j) * (torque[j + 1] - torque[j]);
    }
}

static void deliver(number *s, int i, number low, number dt, number lag, number a_e, const number *ring,
                    const number *ring_t, int64_t *tail, int64_t head) {
    number value = AT(CMD), old = AT(E0), end = low + dt;
    number mean = value * dt, new = value + a_e * (old - value);
    int64_t j = tail[i];
    while (j < head && ring_t[(j % RING) * LANES + i] < end) {
        number at = ring_t[(j % RING) * LANES + i];
        number left = end - (at > low ? at : low);
        number change = ring[(j % RING) * LANES + i] - value;
        mean += change * left;
        new += change * (1.0 - exp(-left / lag));
        value += change;
        j++;
    }
    tail[i] = j;
    AT(NEXT) = j < head ? ring_t[(j % RING) * LANES + i] : 1e9;
    AT(CMD) = value, AT(E) = new;
    AT(EM) = (mean - lag * (new - old)) / dt;
}

INLINED void surroundings(number *restrict s, number mid) {
    const number begun = clamp01(mid * 100.0);
    EACH_LANE {
        number edge = begun * clamp01((AT(DUR) - mid) * 100.0);
        AT(GT) = 1.0 - (1.0 - AT(G)) * edge;
        AT(LT) = 1.0 - (1.0 - AT(LF)) * edge;
        number x = clamp01(mid * AT(ICL));
        AT(SH) = 1.0 - AT(CL) * (1.0 - x);
        AT(PU) = AT(IMP) * x * (1.0 - x);
    }
}

INLINED void half_step(number *restrict s, number dt, const number *car, const number *loop, number a_q, number a_e) {
    const number per_slip = (TABLE - 1) / TABLE_MAX, per_rpm = 1.0 / loop[L_RPMSTEP];
    const number c_sigma = dt / car[C_SIGMA], c_kp = car[C_KP], c_skp = car[C_SKP], stiff = car[C_STIFF];
    const number lag_share = car[C_TAUC] / dt;
    EACH_LANE {
        number v = AT(V), w = AT(W), k = AT(K);
        AT(Q) = AT(UF) + a_q * (AT(Q) - AT(UF));
        number value = AT(CMD), e = AT(E), new = value + a_e * (e - value);
        AT(E0) = e, AT(E) = new;
        AT(EM) = value - lag_share * (new - e);
        number half = 0.5 * c_sigma * v, vh = v + 0.5 * dt * AT(A), more = half * half * (1.0 / 3.0);
        number kp = c_kp * (1.0 - c_skp * (vh - 15.0));
        number below = 1.0 + half + more, inverse = 1.0 / (below * kp);
        k = (k * (1.0 - half + more) + c_sigma * (w - v)) * (inverse * kp);
        AT(K) = k;
        AT(S) += dt * stiff * (AT(X) - w);
        number xh = AT(X) + 0.5 * dt * AT(XD);
        AT(VH) = vh;
        number r = k * (inverse * below);
        AT(RR) = r;
        AT(XR) = per_slip * sqrt(r * r + AT(RY2));
        AT(XT) = per_rpm * AT(RPM) * xh;
    }
}

INLINED void look_up(number *s, number t, number dt, number lag, number a_e, const number *friction,
                     const number *torque, number top, int cornering, const number *ring, const number *ring_t,
                     int64_t *tail, int64_t head) {
    const number last_r = TABLE - 1.001, last_t = top;
    for (int i = 0; i < LANES; i++) {
        AT(H) = fetch(friction, AT(XR), last_r);
        AT(TQ) = fetch(torque, AT(XT), last_t);
        if (AT(NEXT) < t + dt) deliver(s, i, t, dt, lag, a_e, ring, ring_t, tail, head);
    }
    if (cornering)
        for (int i = 0; i < LANES; i++)
            if (AT(LAT) > 0.0) {
                number r = AT(RR);
                AT(HL) = fetch(friction, (TABLE - 1) / TABLE_MAX * sqrt(r * r + 1.0), last_r);
            }
}

INLINED void overshoot_top(number *s, int i) {
    number shot = AT(P1), one = AT(P2), two = AT(P3);
    if (one >= shot && one >= two && two > 0.0 && shot > 0.0) {
        number bend = most(2.0 * one - shot - two, 1e-9);
        number smooth = least(most(2.0 * two - one - AT(P4), 0.0), bend), aside = (shot - two) / bend;
        AT(SO2) = most(AT(SO2), one + 0.125 * smooth * aside * aside);
    }
}

INLINED void cross(number *s, int i, number t, number dt) {
    int above = AT(ES) > 2.0, was = AT(IN) > 0.5;
    if (AT(INS) <= 0.0 || above == was) return;
    AT(IN) = above ? 1.0 : 0.0;
    number change = AT(ES) - AT(ESO);
    number at = t + dt * (change != 0.0 ? clamp01((2.0 - AT(ESO)) / change) : 0.0);
    if (!above) AT(TB) = at;
    else if (AT(T1) < 0.0) AT(T1) = at;
    else {
        number below = at - AT(TB);
        if (below >= 0.05) AT(SRES) += 1.0;
        if (below >= 0.3 && AT(SREC) < 0.0) AT(SREC) = AT(TB) - AT(T1);
    }
}

INLINED void whole_step(number *restrict s, number t, number dt, const number *car, number a_y, number a_s,
                        number a_es, number a_slow, number b_z) {
    const number mass = car[C_MASS], roll = car[C_ROLL], drag = car[C_DRAG], fz0 = car[C_FZ0], cz = car[C_CZ];
    const number mu0 = car[C_MU], smu = car[C_SMU], sload = car[C_SLOAD], eta = car[C_ETA];
    const number kp0 = car[C_KP], skp = car[C_SKP], damp = car[C_DAMP];
    const number per_lag = car[C_TAUS] / dt, mid = t + 0.5 * dt;
    const number counts = mid > 0.0 ? 1.0 : 0.0, rate = 2.0 * PI * JERK_HZ;
    const number per_mass = 1.0 / mass, per_fz0 = 1.0 / fz0, per_window = 0.5 / (2.0 * PI * JERK_HZ * dt);
    number events = 0.0;
    _Pragma("omp simd reduction(+ : events)") for (int i = 0; i < LANES; i++) {
        number vh = AT(VH), a_old = AT(A), z = AT(Z), zh = z + 0.5 * b_z * (a_old - z);
        number load = (fz0 + cz * zh) * AT(LT);
        load = load > 0.05 * fz0 ? load : 0.05 * fz0;
        number mu = mu0 * (1.0 - smu * (vh - 15.0)) * AT(BASE) * AT(GT);
        number peak = mu * (1.0 - sload * (load * per_fz0 - 1.0)) * load;
        number fx = peak * AT(H) * AT(RR), drive = AT(Q) * AT(FORCE) * AT(SH), rest = roll + drag * vh * vh;
        number a = (fx - rest) * per_mass, pull = drive * AT(TQ) * (1.0 - eta * AT(EM)) + AT(PU);
        number by_wheel = AT(IMW), by_engine = AT(IME), v_old = AT(V), w_old = AT(W);
        number apart = (pull - AT(S)) * by_engine - (AT(S) - fx) * by_wheel;
        number twist = (AT(X) - w_old + 0.5 * dt * apart) * AT(ITW), shaft = AT(S) + damp * twist;
        number wd = (shaft - fx) * by_wheel, xd = (pull - shaft) * by_engine;
        AT(X) += dt * xd;
        AT(XD) = xd;
        number v = v_old + dt * a, w = w_old + dt * wd;
        AT(V) = v, AT(W) = w, AT(A) = a;
        AT(Z) = z + b_z * (a - z);
        number lag_w = (w - w_old) * per_lag, lag_v = (v - v_old) * per_lag;
        AT(WM) = w - lag_w + a_s * (AT(WM) - w_old + lag_w);
        AT(VM) = v - lag_v + a_s * (AT(VM) - v_old + lag_v);
        number target = AT(TGT) + AT(SLOPE) * 3.6 * (v - AT(VT)), base = v > AT(U) ? v : AT(U);
        number gain = v - v_old;
        gain = gain > 1e-12 ? gain : 1e-12;
        number inverse = 1.0 / (base * gain), part = (AT(VEND) - v_old) * (inverse * base);
        part = v < AT(VEND) ? 1.0 : clamp01(part);
        number error = 100.0 * (w - v) * (inverse * gain) - target, inside = counts * AT(ALIVE);
        number m = inside * part * dt;
        AT(SWIN) += m;
        number ideal = drive * (AT(TU) + AT(TUS) * (vh - AT(VT)));
        ideal = ideal * AT(WET) + AT(OWN) * rest;
        number top = peak * AT(CLAT);
        ideal = ideal < top ? ideal : top;
        AT(SD) += m * ((ideal - rest) * per_mass - a);
        number kp = kp0 * (1.0 - skp * (vh - 15.0)), over = (w - 0.5 * dt * wd) - vh * (1.0 + kp);
        AT(SX) += m * (over > 0.0 ? over : 0.0);
        number y = AT(Y), y_new = a + a_y * (y - a), before = a - y, behind = a - y_new, jump = a - a_old;
        number change = jump - (y_new - y), held = per_window * (before * before - behind * behind);
        AT(Y) = y_new;
        AT(SJ) += m * rate * rate * (held + (2.0 * change * change - jump * jump) * (1.0 / 12.0));
        number e = AT(EM), slow = AT(SLOW), slow_new = e + a_slow * (slow - e);
        AT(SLOW) = slow_new;
        number fast = e - 0.5 * (slow + slow_new);
        AT(SSW) += m * fast * fast;
        number lost = AT(LAT) - AT(GT) * AT(HL);
        AT(SL) += m * mu0 * AT(BASE) * (lost > 0.0 ? lost : 0.0);
        number es_old = AT(ES), middle = 0.5 * (error + AT(EO));
        AT(EO) = error;
        number es = middle + a_es * (es_old - middle);
        AT(ES) = es;
        number shot = 3.6 * (w - v) - 0.01 * target * 3.6 * base;
        shot = inside > 0.0 ? shot : 0.0;
        number one = AT(P1), two = AT(P2);
        AT(P4) = AT(P3), AT(P3) = two, AT(P2) = one, AT(P1) = shot;
        AT(SO2) = shot > AT(SO2) ? shot : AT(SO2);
        number peaked = truth(one >= shot) * truth(one >= two) * truth(two > 0.0) * truth(shot > 0.0);
        number soft = clamp01(0.5 * (es - 1.0));
        AT(SRS) += m * 0.5 * (soft + AT(SO));
        number rise = soft - AT(SO);
        rise = inside > 0.0 ? rise : 0.0;
        AT(SNS) += rise > 0.0 ? rise : 0.0;
        AT(SO) = soft;
        AT(ESO) = es_old, AT(INS) = inside;
        number crossed = fabs(truth(es > 2.0) - AT(IN)) * truth(inside > 0.0);
        events += peaked + crossed;
        AT(ALIVE) = v < AT(VEND) ? AT(ALIVE) : AT(ALIVE) * (1.0 - counts);
    }
    if (events > 0.0)
        for (int i = 0; i < LANES; i++) {
            overshoot_top(s, i);
            cross(s, i, t, dt);
        }
}

static void finish(const number *s, int i, number window, number *out) {
    number length = most(AT(SWIN), 1e-9), recovery = AT(SREC);
    out[M_DRIVE] = 3.6 * AT(SD);
    out[M_EXCESS] = AT(SX);
    int cut_short = length < window - 1e-6;
    if (AT(T1) < 0.0) recovery = 0.0;
    else if (recovery < 0.0) {
        int settled = AT(IN) < 0.5 && length - AT(TB) >= (cut_short ? 0.15 : 0.3);
        recovery = settled ? AT(TB) - AT(T1) : window;
    }
    out[M_RECOVERY] = recovery;
    out[M_RESLIPS] = AT(SRES);
    out[M_JERK] = sqrt(AT(SJ) / length) / 9.80665;
    out[M_LATERAL] = AT(SL) / length;
    out[M_OVER] = AT(SO2);
    out[M_RSOFT] = AT(SRS);
    out[M_NSOFT] = most(0.0, AT(SNS) - 1.0);
    out[M_WINDOW] = length;
    out[M_SWING] = 100.0 * sqrt(AT(SSW) / length);
}

static void run_block(int64_t first, int64_t count, int64_t n_cand, int64_t n_gears, int64_t nk, int64_t ne,
                      const number *scen, const int64_t *gear_of, const number *car,
                      const number *gears, const number *friction, const number *torque, const number *loop,
                      const number *tv, const number *ts, const number *ev, const number *ec, number *out) {
    number s[ROWS * LANES] __attribute__((aligned(64)));
    number ring[LANES * RING] __attribute__((aligned(64))), ring_t[LANES * RING] __attribute__((aligned(64)));
    number target[(3 * CURVE + 1) * LANES] __attribute__((aligned(64)));
    number rows[(3 * CURVE + 1) * LANES] __attribute__((aligned(64)));
    int64_t tail[LANES] = {0};
    memset(s, 0, sizeof s);
    memset(ring, 0, sizeof ring);
    memset(ring_t, 0, sizeof ring_t);
    const number dt = loop[L_STEP];
    const int64_t every = (int64_t)loop[L_EVERY], pre = (int64_t)loop[L_BEFORE];
    const int64_t steps = pre + (int64_t)loop[L_AFTER];
    const number a_q = exp(-dt / car[C_TAUI]), a_e = exp(-dt / car[C_TAUC]), a_s = exp(-dt / car[C_TAUS]);
    const number a_y = exp(-dt * 2.0 * PI * JERK_HZ), a_es = exp(-dt / 0.0075), a_slow = exp(-dt * 2.0 * PI * SWING_HZ);
    const number b_z = 1.0 - exp(-dt / car[C_TAUZ]); /* the kernel's compiler takes it out of the loop, gcc does not */
    number moved = 1e-3, changing = 0.0;
    int cornering = 0;
    for (int i = 0; i < LANES; i++) {
        int64_t lane = first + (i < count - 1 ? i : count - 1), n = lane / n_cand, c = lane % n_cand;
        const number *row = scen + n * N_SCENARIO;
        start(s, i, row, car, gears + gear_of[n] * N_GEAR, loop, friction, torque);
        AT(U) = loop[L_MINSPEED] / 3.6;
        moved = most(moved, row[S_RAMP]);
        changing = most(changing, most(row[S_PATCH], row[S_CLUTCH]));
        cornering = cornering || row[S_LATERAL] > 0.0;
        lay(tv + c * nk, ts + c * nk, nk, target, i);
        lay(ev + c * ne, ec + (c * n_gears + gear_of[n]) * ne, ne, rows, i);
    }
    int64_t head = 0;
    for (int64_t step = 0; step < steps; step++) {
        number t = (step - pre) * dt;
        if (step % every == 0) {
            if (step > pre) {
                number alive = 0.0;
                for (int i = 0; i < LANES; i++) alive += AT(ALIVE);
                if (alive == 0.0) break;
            }
            tick(s, t, car, loop, torque, target, nk, rows, ne, ring, ring_t, head, tail);
            head++;
            if (step == 0)
                for (int i = 0; i < LANES; i++) {
                    AT(ES) = 100.0 * (AT(W) - AT(V)) / most(AT(V), AT(U)) - AT(TGT);
                    AT(EO) = AT(ES);
                }
        }
        if (step >= pre && t <= moved + dt)
            for (int i = 0; i < LANES; i++) {
                number u = AT(U0) + (AT(U1) - AT(U0)) * clamp01(t * AT(IRAMP));
                if (u != AT(UL)) AT(UL) = u, AT(UF) = torque_share(u, AT(SHAPE));
            }
        if (step >= pre && t <= changing + dt) surroundings(s, t + 0.5 * dt);
        half_step(s, dt, car, loop, a_q, a_e);
        look_up(s, t, dt, car[C_TAUC], a_e, friction, torque, loop[L_TOP], cornering, ring, ring_t, tail, head);
        whole_step(s, t, dt, car, a_y, a_s, a_es, a_slow, b_z);
    }
    for (int i = 0; i < LANES && i < count; i++) {
        finish(s, i, loop[L_WINDOW], out + (first + i) * N_PARTS);
    }
}

/* Every candidate in every scenario on every draw: the kernel's `run`; -1 if a curve has too many breakpoints. */
int run(int64_t n_draws, int64_t n_cand, int64_t n_scen, int64_t n_gears, int64_t q_points, int64_t nk, int64_t ne,
        const number *scen, const int64_t *gear_of, const number *car, const number *gears, const number *friction,
        const number *torque, const number *loop, const number *tv, const number *ts, const number *ev,
        const number *ec, number *out) {
    if (padded(nk) > CURVE || padded(ne) > CURVE) return -1;
    int64_t lanes = n_cand * n_scen;
    for (int64_t d = 0; d < n_draws; d++)
        for (int64_t first = 0; first < lanes; first += LANES)
            run_block(first, lanes - first < LANES ? lanes - first : LANES, n_cand, n_gears, nk, ne,
                      scen, gear_of, car + d * N_CAR, gears + d * n_gears * N_GEAR, friction + d * TABLE,
                      torque + d * q_points, loop, tv, ts, ev, ec, out + d * lanes * N_PARTS);
    return 0;
}
