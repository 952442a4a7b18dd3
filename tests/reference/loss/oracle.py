"""Reference learner, truth-knowing oracle and REML for the loss model.

    python oracle.py replay  SCENARIO_DIR OUT_DIR [key=value ...]   one-step-ahead outputs of the reference learner
    python oracle.py truth   SCENARIO_DIR                           adds the oracle's predictions to truth.csv
    python oracle.py fit     batches.csv                            penalised REML estimates of the whole history


The model is linear and Gaussian in y = ln(roasted/green):

    y = offset + theta[style] + b[roaster] + a*age + d[delivery] + u[lot](t) + eps

offset = ln(1 - moisture).  A textbook Kalman filter over the live effects gives exact partial pooling; its innovations
give ranges, alarms and (summed) the marginal likelihood from which the standard deviations are estimated.
"""
import json, math, os, sys
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import optimize, stats

try:
    from numba import njit
except ImportError:                                    # slow but the same numbers
    def njit(*a, **k):
        return a[0] if a and callable(a[0]) else (lambda f: f)

REF_MOISTURE, REF_SD, SIBLING_SD, REPEAT = 0.108, 0.008, 0.0015, 0.3
HARD = (0.04, 0.30)                                    # a loss outside cannot be
OK, MORE, LESS, IMPOSSIBLE = 0, 1, 2, 3                # MORE: more loss than expected (too light)
FLAGS = ["ok", "more", "less", "impossible"]


@dataclass
class Options:
    """What the reference learner does; the experiments switch parts off."""
    alpha: float = 0.0027          # two-sided probability of a false flag
    moisture: bool = True          # use moisture readings
    delivery: bool = True          # siblings share a delivery effect
    pool_lots: bool = True         # False: every lot starts from a flat prior
    lots: bool = True              # False: no lot effects at all
    slope: bool = True             # common ageing slope
    walk: bool = True              # random walk of the lot effect
    per_style: bool = True         # noise sd per style
    weighing: bool = True          # rounding and repeatability of the scales
    student: bool = True           # Student-t range by Satterthwaite df
    gate: str = "hold"             # hold (a flagged batch is not learned) | none | weight (learned by its probability of being sound)
    follow: int = 3                # held batches that agree and are then learned; 0: never
    h_open: float = 8.0            # CUSUM at which the effect is opened for re-learning if nobody spoke; 0: never
    refit: bool = True             # estimate the sds from history
    robust: bool = True            # likelihood of a contaminated normal over all possible batches; False: normal over the learned ones
    pi: float = 0.01               # prior probability of a gross error
    tails: bool = True             # estimate how heavy the tails of the noise are; False: normal
    k: float = 0.5
    h: float = 5.0
    window: int = 4000             # batches used in a refit
    nu0: float = 4.0               # prior degrees of freedom of a sd
    style_sd: float = 0.02         # prior sd of a style effect
    slope_sd: float = 0.0015       # prior sd of ageing, log-yield per 30 d
    s0: dict = field(default_factory=lambda: dict(delivery=0.005, lot=0.005, roaster=0.005, tau=0.0001, noise=0.005))
    logsd: dict = field(default_factory=lambda: dict(delivery=0.7, lot=0.7, roaster=0.7, tau=1.0, noise=0.6))


def moisture_of(reading, sd, use=True):
    """Posterior mean of the moisture given the meter's reading, and the variances it leaves to delivery and lot (log-yield)."""
    if not use or not np.isfinite(reading):
        return REF_MOISTURE, (REF_SD / (1 - REF_MOISTURE)) ** 2, (SIBLING_SD / (1 - REF_MOISTURE)) ** 2
    p, q = REF_SD ** -2, sd ** -2
    w = (p * REF_MOISTURE + q * reading) / (p + q)
    return w, 0.0, 1 / (p + q) / (1 - w) ** 2


def prepare(df, o):
    """Arrays of the filter; lots and deliveries get state slots while they live (dropping a dead lot is exact)."""
    n = len(df)
    g, r = df.green_g.to_numpy(float), df.roasted_g.to_numpy(float)
    t = pd.to_datetime(df.time).to_numpy("datetime64[m]").astype(float) / 1440
    rec = pd.to_datetime(df.received).to_numpy("datetime64[D]").astype(float)
    styles, roasters = list(dict.fromkeys(df["style"])), list(dict.fromkeys(df.roaster))
    a = dict(n=n, y=np.log(r / g), loss=1 - r / g, g=g, age=(t - rec) / 30, styles=styles, roasters=roasters, t=t)
    a["st"] = df["style"].map({s: i for i, s in enumerate(styles)}).to_numpy(np.int64)
    a["ro"] = df.roaster.map({s: i for i, s in enumerate(roasters)}).to_numpy(np.int64) + len(styles)
    base = len(styles) + len(roasters) + 1
    nominal = df.groupby("style").style_loss.first()
    a["prior"] = np.array([math.log1p(-nominal[s]) - math.log1p(-REF_MOISTURE) for s in styles])
    w = [moisture_of(m, s, o.moisture) for m, s in zip(df.moisture.to_numpy(float), df.moisture_sd.to_numpy(float))]
    a["off"] = np.log1p(-np.array([x[0] for x in w]))
    a["vd"], a["vl"] = np.array([x[1] for x in w]), np.array([x[2] for x in w])
    c = (1 / 12 + REPEAT ** 2) if o.weighing else 0.0
    a["rw"] = c * ((df.d_in_g / g) ** 2 + (df.d_out_g / r) ** 2).to_numpy()
    free, top = [], base
    for key, name in (("delivery", "dl"), ("lot", "lo")):
        ids = df[key].to_numpy()
        first, last = {}, {}
        for i, v in enumerate(ids):
            first.setdefault(v, i)
            last[v] = i
        a[name + "_first"], a[name + "_last"] = first, last
    slot, a["dl"], a["lo"] = {}, np.zeros(n, np.int64), np.zeros(n, np.int64)
    a["newd"], a["newl"] = np.zeros(n, np.bool_), np.zeros(n, np.bool_)
    dn, ln = df.delivery.to_numpy(), df.lot.to_numpy()
    for i in range(n):
        for key, v, new, out in (("d", dn[i], "newd", "dl"), ("l", ln[i], "newl", "lo")):
            if (key, v) not in slot:
                if free:
                    slot[key, v] = free.pop()
                else:
                    slot[key, v] = top
                    top += 1
                a[new][i] = True
            a[out][i] = slot[key, v]
        if a["lo_last"][ln[i]] == i:
            free.append(slot["l", ln[i]])
        if a["dl_last"][dn[i]] == i:
            free.append(slot["d", dn[i]])
    a["p"] = top
    a["dtl"], seen, a["nlot"] = np.zeros(n), {}, np.zeros(n, np.int64)
    cnt = {}
    for i in range(n):
        a["dtl"][i] = t[i] - seen.get(ln[i], t[i])
        seen[ln[i]] = t[i]
        a["nlot"][i] = cnt.get(ln[i], 0)
        cnt[ln[i]] = a["nlot"][i] + 1
    a["imp"] = (a["loss"] < HARD[0]) | (a["loss"] > HARD[1])
    return a


def qtable(alpha):
    """Two-sided Student-t quantiles on a grid of 1/df in [0, 1/2]."""
    u = np.linspace(0, 0.5, 201)
    return np.array([stats.norm.isf(alpha / 2) if x == 0 else stats.t.isf(alpha / 2, 1 / x) for x in u])


@njit(cache=True)
def tq(tab, df):
    u = 1.0 / df
    if u >= 0.5:
        return tab[200]
    j = int(u * 400)
    f = u * 400 - j
    return tab[j] * (1 - f) + tab[j + 1] * f


@njit(cache=True)
def learn(x, P, h, e, S, w):
    """Rank-one update of state and covariance with innovation e of variance S, gain times w; h lists the five (slot, coefficient)."""
    p = len(x)
    k = np.zeros(p)
    for j in range(5):
        s = int(h[j, 0])
        c = h[j, 1]
        if c != 0.0:
            for i in range(p):
                k[i] += P[i, s] * c
    for i in range(p):
        x[i] += k[i] * e / S * w
        if k[i] != 0.0:
            f = k[i] / S * w
            for j in range(p):
                P[i, j] -= f * k[j]


@njit(cache=True)
def design(i, st, ro, dl, lo, age, base):
    h = np.zeros((5, 2))
    h[0, 0] = st[i]; h[0, 1] = 1
    h[1, 0] = ro[i]; h[1, 1] = 1
    h[2, 0] = base;  h[2, 1] = age[i]
    h[3, 0] = dl[i]; h[3, 1] = 1
    h[4, 0] = lo[i]; h[4, 1] = 1
    return h


@njit(cache=True)
def innovation(x, P, h, resid, noise):
    m = 0.0
    v = 0.0
    for a in range(5):
        sa = int(h[a, 0])
        m += h[a, 1] * x[sa]
        for b in range(5):
            v += h[a, 1] * h[b, 1] * P[sa, int(h[b, 0])]
    return resid - m, v + noise


@njit(cache=True)
def loglik(i0, i1, x, P, base, y, off, age, st, ro, dl, lo, newd, newl, vd, vl, dtl, rw, imp, use, infl, infr, par, sig, pi, res):
    """Marginal log likelihood of batches i0..i1 and the state after them; infl, infr: variance added before batch i.

    pi = 0: normal, learning exactly the batches in `use`.  pi > 0: every possible batch counts; it is sound with probability
    1 - pi, else its log-yield is anywhere in a range of 0.3; it is learned with its noise divided by the posterior probability.
    res[i] receives innovation and variance.
    """
    ll = 0.0
    for i in range(i0, i1):
        d, l = dl[i], lo[i]
        if newd[i]:
            P[d, :] = 0; P[:, d] = 0; x[d] = 0; P[d, d] = par[0] ** 2 + vd[i]
        if newl[i]:
            P[l, :] = 0; P[:, l] = 0; x[l] = 0; P[l, l] = par[1] ** 2 + vl[i]
        P[l, l] += par[3] ** 2 * dtl[i] + infl[i]
        P[ro[i], ro[i]] += infr[i]
        if imp[i] or (pi == 0 and not use[i]):
            continue
        h = design(i, st, ro, dl, lo, age, base)
        noise = sig[st[i]] ** 2 + rw[i]
        e, S = innovation(x, P, h, y[i] - off[i], noise)
        res[i, 0] = e; res[i, 1] = S
        l1 = -0.5 * (math.log(2 * math.pi * S) + e * e / S)
        if pi == 0:
            ll += l1
            learn(x, P, h, e, S, 1.0)
        else:
            l1 += math.log(1 - pi)
            l0 = math.log(pi / 0.3)
            m = max(l0, l1)
            t = m + math.log(math.exp(l0 - m) + math.exp(l1 - m))
            ll += t
            w = math.exp(l1 - t)
            if w > 1e-3:
                learn(x, P, h, e, S + noise * (1 / w - 1), 1.0)
    return ll


@njit(cache=True)
def online(i0, i1, x, P, base, y, off, age, st, ro, dl, lo, newd, newl, vd, vl, dtl, rw, imp, par, sig, tab, nu0, gate, follow,
           kk, hh, hopen, student, pi, tinv, tscale, cus, cst, pend, pidx, counts, mean, var, dfs, half, flag, alarm, use, infl, infr):
    """The reference learner from batch i0 on; returns the number of batches done, negative if the past was re-judged
    (infl, infr, use changed: the state must be rebuilt).  Channels are state slots: the lot's and the roaster's.
    cus[c]: CUSUM up, down; cst[c]: batch at which each left zero, steps since, alarm standing; pend[c]: signed count of held batches."""
    for i in range(i0, i1):
        s, r, d, l = st[i], ro[i], dl[i], lo[i]
        if newd[i]:
            P[d, :] = 0; P[:, d] = 0; x[d] = 0; P[d, d] = par[0] ** 2 + vd[i]
        if newl[i]:
            P[l, :] = 0; P[:, l] = 0; x[l] = 0; P[l, l] = par[1] ** 2 + vl[i]
            cus[l, :] = 0; cst[l, :] = 0; pend[l] = 0
            counts[1 + len(sig)] += 1
        P[l, l] += par[3] ** 2 * dtl[i] + infl[i]
        P[r, r] += infr[i]
        h = design(i, st, ro, dl, lo, age, base)
        noise = sig[s] ** 2 + rw[i]
        e, S = innovation(x, P, h, y[i] - off[i], noise)
        # Satterthwaite: how sure are we of S itself
        df = 1e6
        if student:
            su2 = par[0] ** 2 + par[1] ** 2
            vu = min(P[l, l] + P[d, d] + 2 * P[l, d], S - noise) * su2 / (su2 + vd[i] + vl[i])
            df = S * S / (vu * vu / (nu0 + counts[1 + len(sig)]) + sig[s] ** 4 / (nu0 + counts[1 + s]) + 1e-300)
        df = max(1 / (1 / df + tinv), 3.0)
        q = tq(tab, df)
        z = e / (math.sqrt(S) * tscale)
        mean[i] = y[i] - e; var[i] = S * tscale * tscale; dfs[i] = df; half[i] = q * math.sqrt(S) * tscale
        f = 3 if imp[i] else (1 if z < -q else (2 if z > q else 0))
        flag[i] = f
        if f == 3:
            continue
        if gate == 0 or (gate == 1 and f == 0):
            use[i] = True
            learn(x, P, h, e, S, 1.0)
        elif gate == 2:
            l1 = (1 - pi) * math.exp(-0.5 * z * z) / math.sqrt(2 * math.pi * S)
            w = l1 / (l1 + pi / 0.3)
            if w > 1e-3:
                use[i] = True
                learn(x, P, h, e, S + noise * (1 / w - 1), 1.0)
        if f and gate == 1 and follow > 0:                  # held: do the last held batches agree with each other?
            sgn = -1 if f == 1 else 1
            for c in (l, r):
                if sgn * pend[c] <= 0:
                    pend[c] = 0
                if abs(pend[c]) == follow:
                    for b in range(follow - 1):
                        pidx[c, b] = pidx[c, b + 1]
                    pend[c] -= sgn
                pidx[c, abs(pend[c])] = i
                pend[c] += sgn
            for c in (l, r):
                if abs(pend[c]) < follow:
                    continue
                emin, emax, same = 1e9, -1e9, True
                for b in range(follow):
                    j = pidx[c, b]
                    emin = min(emin, y[j] - mean[j]); emax = max(emax, y[j] - mean[j])
                    same = same and lo[j] == l
                if (c == r and same) or emax - emin > 4.5 * math.sqrt(noise):
                    continue
                g = max(abs(emin), abs(emax)) ** 2
                if c == l:
                    infl[pidx[c, 0]] += g
                else:
                    infr[pidx[c, 0]] += g
                for b in range(follow):
                    use[pidx[c, b]] = True
                alarm[i] |= 1 if c == l else 2
                pend[l] = 0; pend[r] = 0; cus[c, :] = 0; cst[c, :] = 0
                return -(i + 1)
        if f:
            continue
        pend[l] = 0; pend[r] = 0
        counts[1 + s] += 1
        zn = z
        if df < 200 and z != 0:                             # Student to normal, nearly equal tail probability
            zn = z / abs(z) * math.sqrt(df * math.log1p(z * z / df)) * (1 - 1 / (4 * df))
        again = False
        for c in (l, r):
            for side in range(2):
                v = max(0.0, cus[c, side] + (zn if side == 0 else -zn) - kk)
                if v == 0:
                    cst[c, side, :] = 0
                else:
                    if cus[c, side] == 0:
                        cst[c, side, 0] = i
                    cst[c, side, 1] += 1
                cus[c, side] = v
                if v > hh and cst[c, side, 2] == 0:
                    cst[c, side, 2] = 1
                    alarm[i] |= 1 if c == l else 2
                if hopen > 0 and v > hopen:
                    dz = kk + v / cst[c, side, 1]
                    g = dz * dz * noise
                    if c == l:
                        infl[cst[c, side, 0]] += g
                    else:
                        infr[cst[c, side, 0]] += g
                    again = True
                    cus[c, side] = 0; cst[c, side, :] = 0
        if again:
            return -(i + 1)
    return i1


def start(a, o, par, diffuse=None):
    p, K, R = a["p"], len(a["styles"]), len(a["roasters"])
    x, P = np.zeros(p), np.zeros((p, p))
    x[:K] = a["prior"]
    sd = o.style_sd if diffuse is None else diffuse
    for i in range(K):
        P[i, i] = sd ** 2
    for i in range(K, K + R):
        P[i, i] = par[2] ** 2
    base = K + R
    P[base, base] = o.slope_sd ** 2 if o.slope else 0.0
    return x, P, base


def unpack(v, o, K):
    par = np.array([math.exp(v[0]) if o.delivery else 0.0, math.exp(v[1]), math.exp(v[2]), math.exp(v[3]) if o.walk else 0.0])
    if not o.pool_lots:
        par[0], par[1] = 0.0, 0.05
    if not o.lots:
        par[0], par[1], par[3] = 0.0, 1e-6, 0.0
    sig = np.exp(v[4:]) if o.per_style else np.full(K, math.exp(v[4]))
    return par, sig


def prior_v(o, K):
    m = K if o.per_style else 1
    c = np.log([o.s0["delivery"], o.s0["lot"], o.s0["roaster"], o.s0["tau"]] + [o.s0["noise"]] * m)
    s = np.array([o.logsd["delivery"], o.logsd["lot"], o.logsd["roaster"], o.logsd["tau"]] + [o.logsd["noise"]] * m)
    return c, s


def args_of(a):
    return [a[k] for k in ("y", "off", "age", "st", "ro", "dl", "lo", "newd", "newl", "vd", "vl", "dtl", "rw")]


def fit(a, o, i1, use, infl, infr, v0):
    """Penalised REML over the last `window` batches before i1.  A lot begun earlier enters anew at the window's start."""
    K = len(a["styles"])
    i0 = max(0, i1 - o.window)
    c, s = prior_v(o, K)
    ar, res = args_of(a), np.zeros((a["n"], 2))
    if i0 > 0:
        nd, nl = a["newd"].copy(), a["newl"].copy()
        sd_, sl_ = set(), set()
        for i in range(i0, min(i1, len(nd))):
            if a["dl"][i] not in sd_:
                nd[i] = True; sd_.add(a["dl"][i])
            if a["lo"][i] not in sl_:
                nl[i] = True; sl_.add(a["lo"][i])
        ar[7], ar[8] = nd, nl

    def f(v):
        par, sig = unpack(v, o, K)
        x, P, base = start(a, o, par)
        ll = loglik(i0, i1, x, P, base, *ar, a["imp"], use, infl, infr, par, sig, o.pi if o.robust else 0.0, res)
        return (-ll if np.isfinite(ll) else 1e9) + 0.5 * np.sum(((v - c) / s) ** 2)
    r = optimize.minimize(f, v0, method="L-BFGS-B", bounds=[(m - 5 * d, m + 5 * d) for m, d in zip(c, s)], options=dict(maxiter=25, ftol=1e-7, eps=1e-4))
    if not o.tails:
        return r.x, (0.0, 1.0)
    f(r.x)
    ok = res[i0:i1, 1] > 0
    return r.x, tail_of(res[i0:i1, 0][ok] / np.sqrt(res[i0:i1, 1][ok]), 0.02 / 0.3 * np.sqrt(res[i0:i1, 1][ok]))


def tail_of(z, gross):
    """(1/df, scale) of the Student-t law that fits standardised innovations best beside a share of gross errors of the given
    density; an exponential prior on 1/df (mean 0.08) keeps it normal without evidence, and so does a history under 256 batches."""
    if len(z) < 256:
        return 0.0, 1.0
    best = None
    for u in (0.0, 0.02, 0.05, 0.08, 0.11, 0.14, 0.17, 0.2, 0.25):
        pdf = stats.norm.logpdf if u == 0 else (lambda t, nu=1 / u: stats.t.logpdf(t, nu))
        g = lambda c: -np.log(0.98 * np.exp(pdf(z / c)) / c + gross).sum()
        if u == 0:
            r0 = g(1.0)
            best = (r0, 0.0, 1.0)
            continue
        r = optimize.minimize_scalar(g, bounds=(0.5, 1.5), method="bounded", options=dict(xatol=1e-3))
        if r.fun + u / 0.08 < best[0]:
            best = (r.fun + u / 0.08, u, float(r.x))
    return best[1], best[2]


def replay(df, o):
    """One-step-ahead outputs of the reference learner over a history; and its last estimates."""
    a = prepare(df, o)
    n, K, p = a["n"], len(a["styles"]), a["p"]
    v, _ = prior_v(o, K)
    par, sig = unpack(v, o, K)
    x, P, base = start(a, o, par)
    out = {k: np.zeros(n) for k in ("mean", "var", "dfs", "half")}
    infl, infr = np.zeros(n), np.zeros(n)
    flag, alarm, use = np.zeros(n, np.int64), np.zeros(n, np.int64), np.zeros(n, np.bool_)
    cus, cst, pend, pidx, counts = np.zeros((p, 2)), np.zeros((p, 2, 3), np.int64), np.zeros(p, np.int64), np.zeros((p, 8), np.int64), np.zeros(2 + K)
    tab, gate, ar = qtable(o.alpha), dict(none=0, hold=1, weight=2)[o.gate], args_of(a)

    def rebuild(i):
        x, P, base = start(a, o, par)
        loglik(0, i, x, P, base, *ar, a["imp"], use, infl, infr, par, sig, o.pi if o.gate == "weight" else 0.0, res)
        return x, P
    i, step, tail, res = 0, 8, (0.0, 1.0), np.zeros((n, 2))
    while i < n:
        stop = min(n, step)
        while i < stop:
            j = online(i, stop, x, P, base, *ar, a["imp"], par, sig, tab, o.nu0, gate, o.follow, o.k, o.h, o.h_open, o.student, o.pi, *tail, cus, cst, pend, pidx,
                       counts, out["mean"], out["var"], out["dfs"], out["half"], flag, alarm, use, infl, infr)
            i = abs(j)
            if j < 0:
                x, P = rebuild(i)
        step = step * 3 // 2 if step < 4096 else step + 4096
        if o.refit and i < n:
            v, tail = fit(a, o, i, use, infl, infr, v)
            par, sig = unpack(v, o, K)
            x, P = rebuild(i)
    m, s2, d = out["mean"], out["var"], out["dfs"]
    q = out["half"]
    big = s2 * np.where(d > 2.5, d / (d - 2), 5.0)
    return pd.DataFrame(dict(
        batch_id=df.batch_id, mean_loss=np.round(1 - np.exp(m + s2 / 2), 6), sd_loss=np.round(np.exp(m) * np.sqrt(big), 6),
        lo=np.round(1 - np.exp(m + q), 6), hi=np.round(1 - np.exp(m - q), 6), flag=[FLAGS[f] for f in flag],
        alarm=[";".join(x for b, x in ((1, "lot"), (2, "roaster")) if k & b) for k in alarm])), dict(par=par, sig=sig, styles=a["styles"], tail=tail)


def truth(path):
    """Adds the predictions of an observer who knows the sds, the ageing curve, every error and every shift."""
    b, t = pd.read_csv(f"{path}/batches.csv"), pd.read_csv(f"{path}/truth.csv", keep_default_na=False)
    c = json.load(open(f"{path}/config.json"))
    o = Options(slope=False, style_sd=c["style_sd"])
    a = prepare(b, o)
    n, K = a["n"], len(a["styles"])
    age = a["age"] * 30
    a["off"] = a["off"] + c["ageing"] / 30 * c["ageing_T"] * -np.expm1(-age / c["ageing_T"])
    delta = pd.to_numeric(t.delta).fillna(0).to_numpy()
    a["y"] = np.where(a["imp"], 0, a["y"]) - delta
    ok = (t.kind == "ok").to_numpy() & ~a["imp"]
    par = np.array([c["s_delivery"], c["s_lot"], c["s_roaster"], c["tau"]])
    sig = np.array([c["noise"][s] for s in a["styles"]])
    x, P, base = start(a, o, par)
    mean, var = exact(a, par, sig, ok, o)
    t["oracle_mean"], t["oracle_sd"] = np.round(1 - np.exp(mean + var / 2), 6), np.round(np.exp(mean) * np.sqrt(var), 6)
    clean, cnt = [], {}
    for l, k in zip(b.lot, ok):
        clean.append(cnt.get(l, 0))
        cnt[l] = cnt.get(l, 0) + int(k)
    t["n_lot"] = clean
    t.to_csv(f"{path}/truth.csv", index=False, lineterminator="\n")


def exact(a, par, sig, ok, o):
    """One-step-ahead means and variances with known sds, learning only where ok."""
    x, P, base = start(a, o, par)
    n = a["n"]
    mean, var = np.zeros(n), np.zeros(n)
    for i in range(n):
        d, l = a["dl"][i], a["lo"][i]
        for new, s, v in ((a["newd"][i], d, par[0] ** 2 + a["vd"][i]), (a["newl"][i], l, par[1] ** 2 + a["vl"][i])):
            if new:
                P[s, :] = 0; P[:, s] = 0; x[s] = 0; P[s, s] = v
        P[l, l] += par[3] ** 2 * a["dtl"][i]
        h = design(i, a["st"], a["ro"], a["dl"], a["lo"], a["age"], base)
        e, S = innovation(x, P, h, a["y"][i] - a["off"][i], sig[a["st"][i]] ** 2 + a["rw"][i])
        mean[i], var[i] = a["y"][i] - e, S
        if ok[i]:
            learn(x, P, h, e, S, 1.0)
    return mean, var


def dirs(path):
    return [path] if os.path.exists(f"{path}/batches.csv") else [f"{path}/{d}" for d in sorted(os.listdir(path)) if os.path.exists(f"{path}/{d}/batches.csv")]


def options(pairs):
    o = Options()
    for p in pairs:
        k, v = p.split("=")
        t = type(getattr(o, k))
        setattr(o, k, v.lower() in ("1", "true", "yes") if t is bool else t(v))
    return o


def main(argv):
    cmd = argv[0]
    if cmd == "truth":
        for d in dirs(argv[1]):
            truth(d)
    elif cmd == "replay":
        o = options(argv[3:])
        for d in dirs(argv[1]):
            out, h = replay(pd.read_csv(f"{d}/batches.csv"), o)
            rel = os.path.relpath(d, argv[1])
            target = argv[2] if rel == "." else f"{argv[2]}/{rel}"
            os.makedirs(target, exist_ok=True)
            out.to_csv(f"{target}/learner.csv", index=False, lineterminator="\n")
            if rel in (".", "01"):
                print(os.path.basename(d), "sds: delivery %.4f lot %.4f roaster %.4f walk %.5f" % tuple(h["par"]), "noise", dict(zip(h["styles"], np.round(h["sig"], 4).tolist())), "tail 1/df %.2f scale %.3f" % h["tail"])
    elif cmd == "fit":
        df, o = pd.read_csv(argv[1]), Options(window=10 ** 9)
        a = prepare(df, o)
        n, K = a["n"], len(a["styles"])
        z = np.zeros(n)
        v, tail = fit(a, o, n, ~a["imp"], z, z, prior_v(o, K)[0])
        par, sig = unpack(v, o, K)
        print(json.dumps(dict(s_delivery=par[0], s_lot=par[1], s_roaster=par[2], tau=par[3], noise=dict(zip(a["styles"], sig)), tail_inverse_df=tail[0], tail_scale=tail[1]), indent=1))


if __name__ == "__main__":
    main(sys.argv[1:])
