#!/usr/bin/env python3
"""Independent check values for hearing.md.

Needs numpy and scipy.  h5py and one head set (.sofa) only for group 3h.  Usage:
    python checks_hearing.py                  print every check value
    python checks_hearing.py --groups         print as markdown tables, one per group
    python checks_hearing.py --verify [DOC]   recompute, compare with the tables in DOC
                                              (default hearing.md beside this file), exit 1 on a difference
    python checks_hearing.py --oracles        also compare with pyloudnorm and statsmodels if installed
    --set FILE   head set; without one the rows 3h are skipped
Numbers come from closed forms, brute force or both; where both exist they are compared
with an assertion, so a run that ends normally has also passed those cross-checks.
Random numbers: numpy RandomState.random_sample only (its stream is frozen).
"""
import sys, os, re, math, itertools
import numpy as np
from scipy import signal, stats, optimize, special, integrate

CH, _cnt, SKIPPED = [], {}, []


def chk(group, text, value, fmt="%.4f"):
    sec = re.match(r"\d+", group).group(0)
    _cnt[sec] = _cnt.get(sec, 0) + 1
    s = value if isinstance(value, str) else (fmt % value)
    CH.append((group, "C%s.%d" % (sec, _cnt[sec]), text, s))


def same(a, b, tol):
    assert np.all(np.abs(np.asarray(a) - np.asarray(b)) <= tol), (a, b, tol)


def fl(seq, fmt="%.4f"):
    return ", ".join((fmt % (0.0 if abs(x) < 5e-12 else x)) for x in seq)


def db(x):
    return 20 * np.log10(np.maximum(np.abs(x), 1e-300))


def resp(b, a, f, fs):
    z = np.exp(-2j * np.pi * np.asarray(f, float) / fs)
    return np.polyval(b[::-1], z) / np.polyval(a[::-1], z)


# ================================================================ 1 loudness
B1 = np.array([1.53512485958697, -2.69169618940638, 1.19839281085285])
A1 = np.array([1.0, -1.69065929318241, 0.73248077421585])
B2 = np.array([1.0, -2.0, 1.0])
A2 = np.array([1.0, -1.99004745483398, 0.99007225036621])
F1, Q1, G1, EX = 1681.974450955533, 0.7071752369554196, 3.999843853973347, 0.4996667741545416
F2, Q2 = 38.13547087602444, 0.5003270373238773


def kcoef(fs, keep_gain=True):
    """K-weighting at any rate. keep_gain: stage 2 keeps the pass-band gain it has at 48 kHz."""
    K = np.tan(np.pi * F1 / fs); Vh = 10 ** (G1 / 20); Vb = Vh ** EX
    d = 1 + K / Q1 + K * K
    b1 = np.array([Vh + Vb * K / Q1 + K * K, 2 * (K * K - Vh), Vh - Vb * K / Q1 + K * K]) / d
    a1 = np.array([1, 2 * (K * K - 1) / d, (1 - K / Q1 + K * K) / d])
    K = np.tan(np.pi * F2 / fs); d = 1 + K / Q2 + K * K
    a2 = np.array([1, 2 * (K * K - 1) / d, (1 - K / Q2 + K * K) / d])
    K0 = np.tan(np.pi * F2 / 48000); g = (1 + K0 / Q2 + K0 * K0) / d if keep_gain else 1.0
    return b1, a1, np.array([1.0, -2.0, 1.0]) * g, a2


def kdb(f, fs, keep=True):
    b1, a1, b2, a2 = kcoef(fs, keep)
    return db(resp(b1, a1, f, fs)) + db(resp(b2, a2, f, fs))


def kfilt(x, fs):
    b1, a1, b2, a2 = kcoef(fs)
    return signal.lfilter(b2, a2, signal.lfilter(b1, a1, x, axis=-1), axis=-1)


def blocks(x, fs, win, hop, G):
    y = kfilt(np.atleast_2d(x), fs) ** 2
    c = np.concatenate([np.zeros((y.shape[0], 1)), np.cumsum(y, 1)], 1)
    n, h = int(round(win * fs)), int(round(hop * fs))
    i = np.arange(0, y.shape[1] - n + 1, h)
    return (np.asarray(G)[:, None] * (c[:, i + n] - c[:, i]) / n).sum(0)


def lufs(x, fs, G=None):
    x = np.atleast_2d(x); G = np.ones(len(x)) if G is None else G
    z = blocks(x, fs, 0.4, 0.1, G)
    L = -0.691 + 10 * np.log10(np.maximum(z, 1e-300))
    z1 = z[L > -70]
    if not len(z1):
        return -np.inf
    gate = -0.691 + 10 * np.log10(z1.mean()) - 10
    return -0.691 + 10 * np.log10(z[(L > -70) & (L > gate)].mean())


def tone(fs, f, parts):
    n = [int(round(s * fs)) for _, s in parts]
    t = np.arange(sum(n)) / fs
    g = np.concatenate([np.full(k, 10 ** (d / 20)) for (d, _), k in zip(parts, n)])
    return g * np.sin(2 * np.pi * f * t)


TP = np.array([0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875, 0.1373291015625,
               0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250, 0.0148925781250, -0.0083007812500,
               -0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500, 0.4650878906250,
               0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625, 0.0330810546875, -0.0189208984375]).reshape(2, 12)
TP = np.vstack([TP, TP[1, ::-1], TP[0, ::-1]])


def truepeak(x):
    return 20 * np.log10(max(np.abs(np.convolve(x, p, "valid")).max() for p in TP))


def sec1():
    b1, a1, b2, a2 = kcoef(48000)
    assert max(np.abs(b1 - B1).max(), np.abs(a1 - A1).max(), np.abs(a2 - A2).max(), np.abs(b2 - B2).max()) < 1e-13
    chk("1k", "48 kHz from the analogue parameters: equal to the ten tabled coefficients within 1e-13", "yes")
    for fs in (44100, 96000):
        b1, a1, b2, a2 = kcoef(fs)
        chk("1k", "%d Hz stage 1: b0, b1, b2; a1, a2" % fs, fl(b1, "%.12f") + "; " + fl(a1[1:], "%.12f"))
        chk("1k", "%d Hz stage 2: g of the numerator g(1, -2, 1); a1, a2" % fs, "%.10f; " % b2[0] + fl(a2[1:], "%.12f"))
    f = [20, 50, 100, 200, 500, 997, 2000, 5000, 10000, 20000]
    chk("1k", "K-weighting at 20, 50, 100, 200, 500, 997, 2000, 5000, 10000, 20000 Hz, 48 kHz (dB)", fl(kdb(f, 48000)))
    chk("1k", "the same at 44.1 kHz (dB)", fl(kdb(f, 44100)))
    chk("1k", "reading error at 997 Hz if the numerator stays (1, -2, 1): 44.1, 96, 192 kHz (LU)",
        fl([kdb(997., x, False) - kdb(997., 48000) for x in (44100, 96000, 192000)], "%+.4f"))
    chk("1k", "reading error at 997 Hz with g: 44.1, 96, 192 kHz (LU)",
        fl([kdb(997., x) - kdb(997., 48000) for x in (44100, 96000, 192000)], "%+.4f"))
    # white and pink noise, closed form
    w = 10 * np.log10(integrate.quad(lambda x: 10 ** (kdb(x, 48000) / 10), 0.01, 24000, limit=400)[0] / 24000)
    chk("1k", "white noise to 24 kHz, one channel: loudness minus rms level (LU)", w - 0.691)

    def pink(extra=lambda x: 0.0, lo=20., hi=20000.):
        u = np.linspace(np.log(lo), np.log(hi), 40001)
        fr = np.exp(u)
        return 10 * np.log10(integrate.simpson(10 ** ((kdb(fr, 48000) + extra(fr)) / 10), x=u) / (u[-1] - u[0])) - 0.691
    p0 = pink()
    chk("1k", "pink noise 20 Hz-20 kHz, one channel: loudness minus rms level (LU)", p0)
    for t, F0, g, q in (("+3 dB, Q 3, 6.5 kHz", 6500, 3, 3), ("+6 dB, Q 1, 100 Hz", 100, 6, 1), ("+3 dB, Q 1, 3 kHz", 3000, 3, 1), ("-6 dB, Q 2, 1 kHz", 1000, -6, 2)):
        bq = peaking(F0, g, q, 48000)
        chk("1k", "loudness change of that pink noise by a peaking filter %s (LU)" % t, pink(lambda x: db(resp(*bq, x, 48000))) - p0, "%+.4f")
    # gated cases
    fs = 48000
    t2 = lambda parts: np.vstack([tone(fs, 1000, parts)] * 2)
    s = tone(fs, 997, [(0, 20)])
    chk("1g", "997 Hz sine, peak 0 dBFS, one channel, 20 s (LUFS)", lufs(s, fs), "%.3f")
    chk("1g", "the same in both channels (LUFS)", lufs(np.vstack([s, s]), fs), "%.3f")
    chk("1g", "1 kHz, both channels, peak -23 / -33 dBFS, 20 s (LUFS)", "%.3f / %.3f" % (lufs(t2([(-23, 20)]), fs), lufs(t2([(-33, 20)]), fs)))
    chk("1g", "-36 (10 s), -23 (60 s), -36 dBFS (10 s), both channels (LUFS)", lufs(t2([(-36, 10), (-23, 60), (-36, 10)]), fs), "%.3f")
    chk("1g", "-72 (10 s), -36 (10 s), -23 (60 s), -36 (10 s), -72 dBFS (10 s) (LUFS)", lufs(t2([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)]), fs), "%.3f")
    chk("1g", "-26 (20 s), -20 (20.1 s), -26 dBFS (20 s) (LUFS)", lufs(t2([(-26, 20), (-20, 20.1), (-26, 20)]), fs), "%.3f")
    x = np.vstack([tone(fs, 1000, [(d, 20)]) for d in (-28, -28, -24, -30, -30)])
    chk("1g", "five channels: -28 L and R, -24 C, -30 dBFS both surrounds with G 1.41 (LUFS)", lufs(x, fs, [1, 1, 1, 1.41, 1.41]), "%.3f")
    chk("1g", "relative gate just shut / open: -20 dBFS 10 s then -33.0 / -32.5 dBFS 10 s (LUFS)",
        "%.3f / %.3f" % (lufs(t2([(-20, 10), (-33, 10)]), fs), lufs(t2([(-20, 10), (-32.5, 10)]), fs)))
    x = t2([(-200, 3), (-20, 1), (-200, 3)])
    M = -0.691 + 10 * np.log10(blocks(x, fs, 0.4, 0.01, [1, 1]) + 1e-30).max()
    S = -0.691 + 10 * np.log10(blocks(x, fs, 3.0, 0.01, [1, 1]) + 1e-30).max()
    chk("1g", "1 s burst of -20 dBFS in silence: largest momentary (0.4 s), short-term (3 s), integrated (LUFS)", "%.2f, %.2f, %.2f" % (M, S, lufs(x, fs)))
    # true peak
    n = np.arange(4800)
    tp = lambda k, ph, a: truepeak(a * np.sin(2 * np.pi * n / k + np.radians(ph)))
    sp = lambda k, ph, a: 20 * np.log10(np.abs(a * np.sin(2 * np.pi * n / k + np.radians(ph))).max())
    chk("1t", "sample peak, true peak by the tabled 4-phase filter: amplitude 0.5, fs/4 at 45 deg (truth -6.02) (dB)", "%.2f, %.2f" % (sp(4, 45, .5), tp(4, 45, .5)))
    chk("1t", "the same, fs/6 at 60 deg (dB)", "%.2f, %.2f" % (sp(6, 60, .5), tp(6, 60, .5)))
    chk("1t", "the same, fs/8 at 67.5 deg (dB)", "%.2f, %.2f" % (sp(8, 67.5, .5), tp(8, 67.5, .5)))
    chk("1t", "amplitude 1.41, fs/4 at 45 deg (truth +2.98) (dB)", "%.2f, %.2f" % (sp(4, 45, 1.41), tp(4, 45, 1.41)))
    chk("1t", "largest under-reading of ideal n-fold oversampling, 20 log10 cos(pi f/(n fs)): n = 4 and 8 at 20 kHz of 48 kHz; n = 4 at fs/2 (dB)",
        fl([db(np.cos(np.pi * 20 / 48 / 4)), db(np.cos(np.pi * 20 / 48 / 8)), db(np.cos(np.pi / 8))], "%.3f"))
    chk("1t", "sum of the taps of each phase of the tabled filter", fl(TP.sum(1), "%.6f"))


# ================================================================ 2 rendering
def peaking(f0, g, q, fs):
    A = 10 ** (g / 40); w = 2 * np.pi * f0 / fs; al = np.sin(w) / (2 * q); c = np.cos(w)
    a0 = 1 + al / A
    return np.array([1 + al * A, -2 * c, 1 - al * A]) / a0, np.array([1, -2 * c / a0, (1 - al / A) / a0])


def shelf(kind, f0, g, q, fs):
    A = 10 ** (g / 40); w = 2 * np.pi * f0 / fs; al = np.sin(w) / (2 * q); c = np.cos(w) * (1 if kind == "low" else -1)
    r = 2 * np.sqrt(A) * al; s = 1 if kind == "low" else -1
    b = A * np.array([(A + 1) - (A - 1) * c + r, s * 2 * ((A - 1) - (A + 1) * c), (A + 1) - (A - 1) * c - r])
    a = np.array([(A + 1) + (A - 1) * c + r, s * -2 * ((A - 1) + (A + 1) * c), (A + 1) + (A - 1) * c - r])
    return b / a[0], a / a[0]


def passf(kind, f0, q, fs):
    w = 2 * np.pi * f0 / fs; al = np.sin(w) / (2 * q); c = np.cos(w)
    b = np.array([1 - c, 2 * (1 - c), 1 - c]) / 2 if kind == "low" else np.array([1 + c, -2 * (1 + c), 1 + c]) / 2
    return b / (1 + al), np.array([1, -2 * c / (1 + al), (1 - al) / (1 + al)])


def minphase(mag, n):
    """mag on rfft bins of an n-point transform -> minimum-phase impulse response of n points (folded cepstrum)"""
    c = np.fft.irfft(np.log(mag), n)
    c[1:n // 2] *= 2; c[n // 2 + 1:] = 0
    return np.fft.irfft(np.exp(np.fft.rfft(c)), n)


LOGF = 20 * 10 ** (np.arange(0, 3001) / 1000.0)


def firdb(h, f, fs):
    out = np.empty(len(f)); n = np.arange(len(h))
    for i, x in enumerate(f):
        out[i] = db(np.dot(h, np.exp(-2j * np.pi * x / fs * n)))
    return out


def sec2():
    fs = 48000
    F = 20 * 10 ** (np.arange(0, 301) / 100.0)

    def trial(sos, n, floor=None, taps=None):
        f = np.arange(n // 2 + 1) * fs / n
        H = np.ones(len(f), complex); T = np.ones(len(F), complex)
        for b, a in sos:
            H *= resp(b, a, f, fs); T *= resp(b, a, F, fs)
        m = np.abs(H); m = np.maximum(m, 10 ** (floor / 20) * m.max()) if floor is not None else np.maximum(m, 1e-15)
        h = minphase(m, n)
        if taps:
            h = h[:taps].copy(); k = taps // 8; h[-k:] *= 0.5 * (1 + np.cos(np.pi * (np.arange(k) + 1) / (k + 1)))
        G = np.array([np.dot(h, np.exp(-2j * np.pi * x / fs * np.arange(len(h)))) for x in F])
        return np.abs(db(G) - db(T)).max(), np.degrees(np.abs(np.angle(G / T))).max()
    pk = [peaking(30, 10, 10, fs)]
    for n in (4096, 16384, 65536, 131072):
        e = trial(pk, n)
        chk("2m", "peaking 30 Hz +10 dB Q 10 by cepstrum, N = %d: largest error 20 Hz-20 kHz between bins (dB, degrees)" % n, "%.4f, %.3f" % e)
    hp = [passf("high", 40, 0.54119610, fs), passf("high", 40, 1.30656296, fs)]
    for n, fl_ in ((16384, None), (65536, None), (65536, -100), (65536, -60), (65536, -40)):
        e = trial(hp, n, fl_)
        chk("2m", "4th-order Butterworth high-pass 40 Hz, N = %d, floor %s: largest error 20 Hz-20 kHz (dB, degrees)" % (n, "1e-15" if fl_ is None else "%d dB" % fl_), "%.4f, %.3f" % e)
    for taps in (2048, 4096, 8192, 16384):
        e = trial(hp, 131072, -140, taps)
        chk("2m", "the same high-pass, N = 131072, cut to %d taps (last eighth faded by half a cosine): error (dB, degrees)" % taps, "%.4f, %.3f" % e)
    # ---- rendering band edge: magnitude known to 20 kHz only
    n = 65536; f = np.arange(n // 2 + 1) * fs / n
    b, a = passf("low", 15000, 0.7071067812, fs); H = np.abs(resp(b, a, f, fs))
    def edge(mode):
        m = np.maximum(H.copy(), 1e-7); i = np.searchsorted(f, 20000.)
        if mode == "hold": m[i:] = m[i]
        if mode == "zero": m[i:] = m[i] * 10 ** (-40 / 20)
        if mode == "slope":
            k = np.searchsorted(f, 20000 * 2 ** (-1 / 3)); q = np.polyfit(np.log2(f[k:i]), db(H[k:i]), 1)[0]
            m[i:] = m[i] * 10 ** (np.maximum(q * np.log2(f[i:] / f[i]), -60) / 20)
        return np.angle(np.exp(1j * (np.angle(np.fft.rfft(minphase(m, n))) - np.angle(resp(b, a, f, fs)))))
    j = [int(round(x * n / fs)) for x in (1000, 10000, 19000)]
    chk("2m", "2nd-order low-pass 15 kHz known to 20 kHz only, held level above: phase error at 1, 10, 19 kHz (degrees)", fl(np.degrees(edge("hold")[j]), "%.2f"))
    chk("2m", "the same, dropped by 40 dB above 20 kHz; continued with the mean slope in dB an octave of the last third octave (degrees)", fl(np.degrees(edge("zero")[j]), "%.2f") + "; " + fl(np.degrees(edge("slope")[j]), "%.2f"))
    chk("2m", "ringing of a resonance, T60 = 3 ln 10 Q/(pi f): Q 10 at 30 Hz, Q 3 at 100 Hz (s)", "%.4f, %.4f" % (3 * np.log(10) * 10 / (np.pi * 30), 3 * np.log(10) * 3 / (np.pi * 100)))
    # ---- crossfade
    chk("2x", "middle of a fade, equal gain, correlation 1, 0.99, 0.9, 0 (dB)", fl([10 * np.log10((1 + r) / 2) for r in (1, .99, .9, 0)], "%.3f"))
    chk("2x", "middle of a fade, equal power, correlation 1, 0.99, 0.9, 0 (dB)", fl([10 * np.log10(1 + r) for r in (1, .99, .9, 0)], "%.3f"))
    chk("2x", "middle of an equal-gain fade between versions 1 sample / 10 samples apart, at 1 kHz and 10 kHz / 2 kHz, 48 kHz (dB)",
        fl([db(np.cos(np.pi * 1000 / fs)), db(np.cos(np.pi * 10000 / fs)), db(np.cos(np.pi * 2000 * 10 / fs))], "%.3f"))
    # ---- partitioned convolution
    def cost(L, B):
        P = math.ceil(L / B); n = 2 * B
        return (2 * 2.5 * n * math.log2(n) + P * 8 * (B + 1)) / B, P
    chk("2c", "uniform partitions of a 48000-tap response, B = 128: number, operations a sample (FFT 2.5 n log2 n real, complex product 8)", "%d, %.0f" % cost(48000, 128)[::-1])
    chk("2c", "the same, B = 512 / 4096 / 16384 (operations a sample)", " / ".join("%.0f" % cost(48000, B)[0] for B in (512, 4096, 16384)))
    rs = np.random.RandomState(5); x = rs.random_sample(5000) - .5; h = rs.random_sample(1000) - .5
    B = 128; P = math.ceil(len(h) / B)
    Hk = [np.fft.rfft(np.pad(h[k * B:(k + 1) * B], (0, 2 * B - len(h[k * B:(k + 1) * B])))) for k in range(P)]
    nb = math.ceil((len(x) + len(h) - 1) / B); xp = np.concatenate([np.zeros(B), x, np.zeros(nb * B - len(x))])
    fdl, y = [], []
    for k in range(nb):
        fdl.insert(0, np.fft.rfft(xp[k * B:k * B + 2 * B])); fdl = fdl[:P]
        y.append(np.fft.irfft(sum(X * Hh for X, Hh in zip(fdl, Hk)))[B:])
    e = np.abs(np.concatenate(y)[:len(x) + len(h) - 1] - np.convolve(x, h)).max()
    assert e < 1e-12
    chk("2c", "partitioned overlap-save against direct convolution (5000 by 1000 random samples): equal within 1e-12", "yes")
    chk("2c", "latency of block B: 128 and 4096 samples at 48 kHz (ms)", "%.3f, %.3f" % (128 / 48, 4096 / 48))
    # ---- fractional delay
    def lag(N, d):
        return np.array([np.prod([(d - m) / (k - m) for m in range(N + 1) if m != k]) for k in range(N + 1)])
    for N, d in ((1, .5), (3, 1.5), (7, 3.5)):
        chk("2d", "Lagrange order %d, delay %.1f samples: gain at 5, 10, 16, 20 kHz of 48 kHz (dB)" % (N, d), fl(firdb(lag(N, d), [5000, 10000, 16000, 20000], fs), "%.3f"))
    def wsinc(n, d, beta):
        t = np.arange(n) - (n // 2 - 1) - d
        return np.sinc(t) * np.i0(beta * np.sqrt(np.maximum(0, 1 - (t / (n / 2)) ** 2))) / np.i0(beta)
    for n, beta in ((32, 6.0), (64, 8.0), (128, 8.0)):
        fr = np.linspace(20, 20000, 800); wd = 0
        for d in (0.1, 0.25, 0.5):
            h = wsinc(n, d, beta); k = np.arange(n)
            G = np.array([np.dot(h, np.exp(-2j * np.pi * q / fs * (k - (n // 2 - 1) - d))) for q in fr])
            wd = max(wd, np.abs(db(G)).max())
        chk("2d", "sinc with Kaiser window, %d taps, beta %.0f, delays 0.1, 0.25, 0.5: largest gain error to 20 kHz (dB)" % (n, beta), wd, "%.4f")
    # ---- headroom
    b, a = peaking(1000, 6, 2, fs)
    h = signal.lfilter(b, a, np.r_[1, np.zeros(20000)])
    chk("2h", "peaking 1 kHz +6 dB Q 2: largest gain; bound by the sum of |h| (dB)", "%.3f, %.3f" % (np.abs(firdb(h, [1000.], fs))[0], 20 * np.log10(np.abs(h).sum())))
    h2 = h
    for p in (peaking(60, 4, 3, fs), peaking(8000, 5, 1, fs)):
        h2 = signal.lfilter(*p, h2)
    chk("2h", "with 60 Hz +4 dB Q 3 and 8 kHz +5 dB Q 1 as well: largest gain; sum of |h| (dB)", "%.3f, %.3f" % (firdb(h2, LOGF[::5], fs).max(), 20 * np.log10(np.abs(h2).sum())))
    chk("2h", "TPDF dither of 16 bit: its level, peak to peak 2 LSB (dB re full-scale sine)", 10 * np.log10(2 * (2 / 65536.) ** 2 * (1 / 6. + 1 / 12.)), "%.2f")
    # ---- browser filters
    f = [20, 100, 1000, 6500, 10000, 16000, 20000]
    chk("2w", "peaking 6.5 kHz +3 dB Q 3 at 48 kHz: b0, b1, b2; a1, a2", fl(peaking(6500, 3, 3, fs)[0], "%.10f") + "; " + fl(peaking(6500, 3, 3, fs)[1][1:], "%.10f"))
    chk("2w", "its gain at 20, 100, 1000, 6500, 10000, 16000, 20000 Hz (dB)", fl(db(resp(*peaking(6500, 3, 3, fs), f, fs)), "%.5f"))
    chk("2w", "the same filter in a context of 44.1 kHz (dB)", fl(db(resp(*peaking(6500, 3, 3, 44100), f, 44100)), "%.5f"))
    d = db(resp(*peaking(16000, 6, 1, 48000), LOGF, 48000)) - db(resp(*peaking(16000, 6, 1, 44100), LOGF, 44100))
    chk("2w", "peaking 16 kHz +6 dB Q 1: largest difference of a 44.1 and a 48 kHz context to 20 kHz (dB)", np.abs(d).max())
    chk("2w", "value to give low-pass and high-pass: 20 log10 Q for Q 0.5, 0.7071, 1, 2 (dB)", fl([20 * np.log10(q) for q in (.5, 2 ** -.5, 1, 2)], "%.4f"))
    w = db(resp(*passf("high", 80, 10 ** (0.70710678 / 20), fs), [20, 60, 80, 100, 200], fs))
    chk("2w", "high-pass 80 Hz given Q = 0.7071 by mistake (that is dB): gain at 20, 60, 80, 100, 200 Hz (dB)", fl(w))
    chk("2w", "high-pass 80 Hz with -3.0103: the same frequencies (dB)", fl(db(resp(*passf("high", 80, 2 ** -.5, fs), [20, 60, 80, 100, 200], fs))))
    for q in (0.5, 1.0):
        d = db(resp(*shelf("low", 100, 6, q, fs), LOGF, fs)) - db(resp(*shelf("low", 100, 6, 2 ** -.5, fs), LOGF, fs))
        chk("2w", "low shelf 100 Hz +6 dB of cookbook Q %.1f rendered by the browser's shelf (Q ignored, S = 1): largest error (dB)" % q, np.abs(d).max())
    al = lambda S, A: np.sqrt((A + 1 / A) * (1 / S - 1) + 2) / 2
    same(al(1, 10 ** (6 / 40)), 1 / (2 * 2 ** -.5), 1e-15)
    def cscale(h, ch, rate):
        p = max(math.sqrt(np.sum(np.square(h)) / (ch * len(h))), 0.000125)
        return 0.00125 / p * 44100 / rate * (0.5 if ch == 4 else 1)
    chk("2w", "convolver scale by the text of the specification: unit impulse of 1 sample, of 4800 samples, at 48 kHz", "%.7f, %.6f" % (cscale([1.], 1, 48000), cscale(np.r_[1., np.zeros(4799)], 1, 48000)))
    chk("2w", "the same with -58 dB in place of 0.00125 (found in one engine)", "%.7f, %.6f" % (cscale([1.], 1, 48000) * 10 ** (-58 / 20) / 0.00125, cscale(np.r_[1., np.zeros(4799)], 1, 48000) * 10 ** (-58 / 20) / 0.00125))
    def f32(b, a):
        return np.float32(b).astype(float), np.float32(a).astype(float)
    for rate in (48000, 96000):
        b, a = peaking(30, 10, 10, rate)
        d = db(resp(*f32(b, a), LOGF, rate)) - db(resp(b, a, LOGF, rate))
        chk("2w", "peaking 30 Hz +10 dB Q 10 with coefficients rounded to single precision, %d Hz: largest error 20 Hz-20 kHz (dB)" % rate, np.abs(d).max())


# ================================================================ 3 two ears and room
C = 343.0
ROOM = np.array([5.0, 4.0, 2.7]); SRC = np.array([1.5, 1.2, 1.1]); REC = np.array([3.6, 2.3, 1.2])


def images(order):
    """[(order, (nx, ny, nz), position, reflections per axis)] of a shoebox with one corner in the origin"""
    out = []
    r = range(-order, order + 1)
    for n in itertools.product(r, r, r):
        o = sum(abs(k) for k in n)
        if o <= order:
            p = np.array([k * L + (s if k % 2 == 0 else L - s) for k, L, s in zip(n, ROOM, SRC)])
            out.append((o, n, p))
    return sorted(out, key=lambda t: (t[0], np.linalg.norm(t[2] - REC)))


def leave(n, p):
    """unit vector in which the real source radiates towards the image's path"""
    d = (REC - p) / np.linalg.norm(REC - p)
    return d * np.array([1 if k % 2 == 0 else -1 for k in n])


def sec3():
    # ---- sphere-head time difference, interpolation weights
    wood = lambda th, a=0.0875: a / C * (th + np.sin(th)) * 1e6
    chk("3e", "Woodworth a/c(theta + sin theta), a = 87.5 mm: 30, 60, 90 degrees (us)", fl([wood(np.radians(t)) for t in (30, 60, 90)], "%.1f"))
    sph = lambda az, el: np.array([np.cos(np.radians(el)) * np.cos(np.radians(az)), np.cos(np.radians(el)) * np.sin(np.radians(az)), np.sin(np.radians(el))])
    T = np.column_stack([sph(0, 0), sph(90, 0), sph(0, 90)])
    g = np.linalg.solve(T, sph(45, 35.26438968)); same(g / g.sum(), 1 / 3, 1e-8)
    chk("3e", "weights of (az 35, el 5) in the triangle (30,0), (45,0), (30,15) degrees, sum 1", fl((lambda g: g / g.sum())(np.linalg.solve(np.column_stack([sph(30, 0), sph(45, 0), sph(30, 15)]), sph(35, 5)))))
    chk("3e", "mean of two equal responses 5 / 10 samples apart at 44.1 kHz: gain at 2, 4 kHz (dB)", "%.2f, %.2f / %.2f, %.2f" % tuple(db(np.cos(np.pi * f * d / 44100.)) for d in (5, 10) for f in (2000, 4000)))
    chk("3e", "interaural coherence of a diffuse field, sin(kd)/(kd), d = 0.17 m: 200, 500, 1000, 2000 Hz", fl([np.sinc(2 * f * .17 / C) for f in (200, 500, 1000, 2000)], "%.3f"))
    # ---- images
    im = images(3)
    cnt = [sum(1 for o, _, _ in im if o == k) for k in range(4)]
    assert cnt == [1] + [4 * k * k + 2 for k in (1, 2, 3)]
    chk("3i", "number of images of order 1, 2, 3 (4 n^2 + 2); all to order 3, 10", "%d, %d, %d; %d, %d" % (cnt[1], cnt[2], cnt[3], sum(cnt), 1 + sum(4 * k * k + 2 for k in range(1, 11))))
    beta = np.sqrt(1 - 0.2)
    d0 = np.linalg.norm(SRC - REC)
    chk("3i", "direct: distance (m), delay (ms)", "%.4f, %.4f" % (d0, d0 / C * 1e3))
    name = {(-1, 0, 0): "x = 0", (1, 0, 0): "x = 5", (0, -1, 0): "y = 0", (0, 1, 0): "y = 4", (0, 0, -1): "floor", (0, 0, 1): "ceiling"}
    for o, n, p in im:
        if o == 1:
            d = np.linalg.norm(p - REC); u = leave(n, p)
            chk("3i", "order 1, %s: image, distance (m), delay after direct (ms), level re direct (dB, omni, alpha 0.2), off-axis angle at the source facing +x (deg)" % name[n],
                "(%.1f, %.1f, %.1f), %.4f, %.4f, %.3f, %.2f" % (*p, d, (d - d0) / C * 1e3, 20 * np.log10(beta * d0 / d), np.degrees(np.arccos(u[0]))))
    for o in (2, 3):
        q = [t for t in im if t[0] == o]
        for t in (q[0], q[-1]):
            d = np.linalg.norm(t[2] - REC); u = leave(t[1], t[2])
            chk("3i", "order %d, %s of them, walls (nx, ny, nz) = %s: image, distance, delay after direct, level, off-axis angle" % (o, "nearest" if t is q[0] else "farthest", str(t[1]).replace(" ", "")),
                "(%.1f, %.1f, %.1f), %.4f, %.4f, %.3f, %.2f" % (*t[2], d, (d - d0) / C * 1e3, 20 * np.log10(beta ** o * d0 / d), np.degrees(np.arccos(u[0]))))
    # brute-force mirror check of every image and of the leaving direction
    for o, n, p in im:
        q = SRC.copy(); m = list(n); v = None
        for ax in range(3):                      # reflect back and forth |n| times
            x = SRC[ax]
            for k in range(abs(n[ax])):
                wall = (ROOM[ax] if (k % 2 == (0 if n[ax] % 2 == 1 else 1)) else 0) if n[ax] > 0 else (0 if (k % 2 == (0 if abs(n[ax]) % 2 == 1 else 1)) else ROOM[ax])
                x = 2 * wall - x
            q[ax] = x
        same(q, p, 1e-12)
    # ---- statistical room
    V = ROOM.prod(); S = 2 * (ROOM[0] * ROOM[1] + ROOM[0] * ROOM[2] + ROOM[1] * ROOM[2])
    k = 24 * np.log(10) / C
    chk("3r", "V (m3), S (m2), 24 ln 10/c (s/m), mean free path 4V/S (m)", "%.2f, %.2f, %.5f, %.4f" % (V, S, k, 4 * V / S))
    for al in (0.1, 0.2, 0.4):
        A = S * al; R = A / (1 - al)
        chk("3r", "alpha %.1f: Sabine T60, Eyring T60 (s), critical distance Q = 1 by A, by R = A/(1 - alpha) (m)" % al,
            "%.4f, %.4f, %.4f, %.4f" % (k * V / A, k * V / (-S * np.log(1 - al)), np.sqrt(A / (16 * np.pi)), np.sqrt(R / (16 * np.pi))))
    al = 0.2; A = S * al; R = A / (1 - al); T = k * V / (-S * np.log(1 - al))
    drr = lambda DI, r: DI + 10 * np.log10(R / (16 * np.pi * r * r))
    chk("3r", "direct-to-reverberant ratio at %.4f m, alpha 0.2: DI 0, 6, 10 dB (dB)" % d0, fl([drr(x, d0) for x in (0, 6, 10)], "%.3f"))
    chk("3r", "0.057 sqrt(V/T) with the Sabine time of alpha 0.2 against sqrt(A/(16 pi)) (m)", "%.4f, %.4f" % (0.057 * np.sqrt(V / (k * V / A)), np.sqrt(A / (16 * np.pi))))
    # image sum, many positions, against theory
    rr = np.arange(-34, 35)
    nx, ny, nz = np.meshgrid(rr, rr, rr, indexing="ij"); refl = (np.abs(nx) + np.abs(ny) + np.abs(nz)).ravel()
    nn = np.column_stack([nx.ravel(), ny.ravel(), nz.ravel()])
    rs = np.random.RandomState(11)
    tot, bar, ed, tt = [], [], [], np.arange(0, 0.45, 0.001)
    for j in range(12):
        s = ROOM * (0.15 + 0.7 * rs.random_sample(3)); r = ROOM * (0.15 + 0.7 * rs.random_sample(3))
        p = nn * ROOM + np.where(nn % 2 == 0, s, ROOM - s)
        d = np.sqrt(((p - r) ** 2).sum(1)); e = (1 - al) ** refl / (4 * np.pi * d) ** 2
        e[refl == 0] = 0
        tot.append(e.sum()); bar.append(R / (-S * np.log(1 - al)) * np.exp(-6 * np.log(10) / T * np.linalg.norm(s - r) / C) / (np.pi * R)); ed.append(np.histogram(d / C, np.r_[tt, tt[-1] + .001], weights=e)[0])
    theory = 16 * np.pi / R / (16 * np.pi ** 2)       # reverberant energy where the direct sound has 1/(4 pi r)^2
    tot = np.array(tot)
    chk("3r", "image sources of 12 random source/receiver pairs, alpha 0.2: reverberant energy re theory 4/R, mean, lowest, highest (dB)",
        "%.2f, %.2f, %.2f" % (10 * np.log10(tot.mean() / theory), 10 * np.log10(tot.min() / theory), 10 * np.log10(tot.max() / theory)))
    sch = 10 * np.log10(np.cumsum(np.mean(ed, 0)[::-1])[::-1]); sch -= sch[0]
    def t60(lo, hi):
        i = (sch <= lo) & (sch >= hi); m = np.polyfit(tt[i], sch[i], 1)[0]; return -60 / m
    chk("3r", "the same, mean decay: early decay time (0 to -10), T20 (-5 to -25), T30 (-5 to -35), Eyring (s)", "%.3f, %.3f, %.3f, %.3f" % (t60(0, -10), t60(-5, -25), t60(-5, -35), T))
    p = nn * ROOM + np.where(nn % 2 == 0, SRC, ROOM - SRC); d = np.sqrt(((p - REC) ** 2).sum(1))
    e = (1 - al) ** refl / (4 * np.pi * d) ** 2; e[refl == 0] = 0
    a = 6 * np.log(10) / T; AE = -S * np.log(1 - al); tot0 = 4 / AE * np.exp(-a * d0 / C) / (4 / R) * theory
    chk("3r", "reverberant energy re 4/A: 4/R with R = A/(1 - alpha); 4/A_E with A_E = -S ln(1 - alpha); (4/A_E) exp(-6 ln 10 t0/T) from the direct arrival t0 at that distance (dB)", fl([10 * np.log10(x) for x in (1 - al, A / AE, A / AE * np.exp(-a * d0 / C))], "%.3f"))
    chk("3r", "source and receiver of this section, all images: re 4/R, re (4/A_E) exp(-6 ln 10 t0/T) (dB)", "%.2f, %.2f" % (10 * np.log10(e.sum() / theory), 10 * np.log10(e.sum() / tot0)))
    chk("3r", "12 pairs above: image sum re (4/A_E) exp(-6 ln 10 t0/T), mean of the dB, lowest, highest (dB)", fl((lambda v: (v.mean(), v.min(), v.max()))(10 * np.log10(tot / np.array(bar))), "%.2f"))
    mix = lambda lev: [10 * np.log10((e[d / C < t].sum() + lev * np.exp(-a * t)) / e.sum()) for t in (.015, .02, .03, .05)]
    chk("3r", "images before 15, 20, 30, 50 ms plus exponential tail of level 4/R re all images (dB)", fl(mix(theory), "%.2f"))
    chk("3r", "the same with a tail of level 4/A_E (dB)", fl(mix(theory * R / AE), "%.2f"))
    # late tail
    fs = 48000
    n0 = int(round(0.02 * fs)); n = np.arange(n0, int(3 * T * fs))
    e = np.exp(-a * n / fs).sum(); same(e / (np.exp(-a * 0.02) * fs / a), 1, 1e-3)
    chk("3r", "share of the reverberant energy after 10, 20, 50 ms, exp(-6 ln 10 t/T), Eyring time of alpha 0.2", fl([np.exp(-a * t) for t in (.01, .02, .05)], "%.4f"))
    sig = np.sqrt(a / fs * np.exp(-a * .02) / (np.pi * AE)) * 4 * np.pi * d0
    chk("3r", "rms of the tail at 20 ms, omni source, level 4/A_E, 48 kHz, re the direct sample 1/(4 pi r) at that distance; with DI 6 dB (dB)", "%.3f, %.3f" % (20 * np.log10(sig), 20 * np.log10(sig) - 6))
    rs = np.random.RandomState(8); nt = int(1.2 * T * fs); env = np.exp(-a / 2 * np.arange(nt) / fs); sd = []
    for f0 in (125., 1000., 4000.):
        sos = signal.butter(3, [f0 * 2 ** -.5, f0 * 2 ** .5], "band", fs=fs, output="sos"); tt_ = []
        for _ in range(60):
            y = signal.sosfilt(sos, special.ndtri(np.clip(rs.random_sample(nt), 1e-12, 1 - 1e-12))) * env
            q = np.cumsum((y * y)[::-1])[::-1]; q = 10 * np.log10(q / q[0])
            i = slice(int(np.argmax(q <= -5)), int(np.argmax(q <= -25)), 16); tt_.append(-60 / np.polyfit(np.arange(nt)[i] / fs, q[i], 1)[0])
        sd.append(100 * np.std(tt_) / T)
    chk("3r", "T20 of one noise tail of T = 0.44 s in the octaves 125, 1000, 4000 Hz: standard deviation over 60 seeds (%)", fl(sd, "%.2f"))
    chk("3r", "mixing time sqrt(V) ms; images arrived by then 4 pi c^3 t^3/(3V); images a second then", "%.2f, %.1f, %.0f" % (np.sqrt(V), 4 * np.pi * C ** 3 * (np.sqrt(V) / 1e3) ** 3 / (3 * V), 4 * np.pi * C ** 3 * (np.sqrt(V) / 1e3) ** 2 / V))
    # ---- head set
    path = sys.argv[sys.argv.index("--set") + 1] if "--set" in sys.argv else ""
    try:
        import h5py
        f = h5py.File(path, "r")
    except Exception as ex:                                   # not there: group 3h is left out
        SKIPPED.append("3h (%s)" % type(ex).__name__); _cnt["3h"] = 0
        return
    fs = float(f["Data.SamplingRate"][0]); P = f["SourcePosition"][()]; IR = f["Data.IR"][()]
    chk("3h", "directions, ears, samples, rate (Hz), radius (m)", "%d, %d, %d, %.0f, %.1f" % (IR.shape + (fs, P[0, 2])))
    ix = lambda az, el=0: int(np.argmin(np.abs((P[:, 0] - az + 180) % 360 - 180) + np.abs(P[:, 1] - el)))
    def edt(h, up=16):                                         # arrival: -10 dB of the peak of the 16-fold interpolated response
        y = signal.resample(h, len(h) * up); return np.argmax(np.abs(y) >= np.abs(y).max() * 10 ** (-10 / 20)) / up / fs
    def itd_x(i, fc=1500.):
        b = signal.butter(4, fc / (fs / 2)); l, r = (signal.resample(signal.lfilter(*b, IR[i, c]), 512 * 16) for c in (0, 1))
        c = signal.fftconvolve(r, l[::-1]); return (np.argmax(c) - (len(l) - 1)) / 16 / fs
    for az in (30, 90, 270):
        i = ix(az)
        E = 10 * np.log10((IR[i] ** 2).sum(-1))
        chk("3h", "azimuth %d: left minus right energy (dB); right later than left by the -10 dB arrival, by correlation below 1.5 kHz (us)" % az, "%.2f; %.0f, %.0f" % (E[0] - E[1], (edt(IR[i, 1]) - edt(IR[i, 0])) * 1e6, itd_x(i) * 1e6))
    H = np.abs(np.fft.rfft(IR, 4096)); fr = np.fft.rfftfreq(4096, 1 / fs)
    def band(i, e, f0):
        m = (fr >= f0 * 2 ** (-1 / 6)) & (fr < f0 * 2 ** (1 / 6)); return 10 * np.log10((H[i, e][m] ** 2).mean())
    chk("3h", "azimuth 90, one-third octaves 500, 1000, 2000, 4000, 8000 Hz: left minus right (dB)", fl([band(ix(90), 0, x) - band(ix(90), 1, x) for x in (500, 1000, 2000, 4000, 8000)], "%.2f"))
    # leave one out at azimuth 30 of the horizontal ring (25 and 35 known): time domain against aligned
    q, a_, b_ = ix(30), ix(25), ix(35)
    def err(h, e):
        m = (fr > 200) & (fr < 16000); y = np.abs(np.fft.rfft(h, 4096)); d = 20 * np.log10(y[m] / H[q, e][m]); w = 1 / fr[m]; return np.sqrt((d * d * w).sum() / w.sum())
    def mp(h):
        c = np.fft.irfft(np.log(np.maximum(np.abs(np.fft.rfft(h, 8192)), 1e-6)), 8192); c[1:4096] *= 2; c[4097:] = 0
        return np.fft.irfft(np.exp(np.fft.rfft(c)), 8192)[:512]
    out = []
    for e in (0, 1):
        out.append(err((IR[a_, e] + IR[b_, e]) / 2, e)); out.append(err((mp(IR[a_, e]) + mp(IR[b_, e])) / 2, e))
    chk("3h", "azimuth 30 from 25 and 35: rms magnitude error 200 Hz-16 kHz over log f, left: mean as they stand / of minimum phases; right: the same (dB)", "%.2f / %.2f; %.2f / %.2f" % tuple(out))
    # diffuse-field power average with area weights (rings of 10 degrees, bottom cap missing)
    el = np.round(P[:, 1]); w = np.zeros(len(P))
    for v in np.unique(el):
        m = el == v; lo, hi = max(v - 5, -45 if v == -40 else -90), min(v + 5, 90)
        w[m] = (np.sin(np.radians(hi)) - np.sin(np.radians(lo))) / m.sum()
    D = 10 * np.log10(((H[:, 0] ** 2) * w[:, None]).sum(0) / w.sum())
    def b3(x, f0):
        m = (fr >= f0 * 2 ** (-1 / 6)) & (fr < f0 * 2 ** (1 / 6)); return 10 * np.log10((10 ** (x[m] / 10)).mean())
    D0 = 10 * np.log10(H[ix(0), 0] ** 2)
    chk("3h", "front, left ear: one-third octaves 63, 125, 250, 500 Hz re 1 kHz (dB)", fl([band(ix(0), 0, x) - band(ix(0), 0, 1000) for x in (63, 125, 250, 500)], "%.2f"))
    chk("3h", "diffuse-field average minus front, left ear, one-third octaves 250, 1000, 4000, 8000 Hz (dB)", fl([b3(D, x) - b3(D0, x) for x in (250, 1000, 4000, 8000)], "%.2f"))


# ================================================================ 4 trials
def need(n, p0=0.5, a=0.05):
    return next(k for k in range(n + 2) if k == n + 1 or stats.binom.sf(k - 1, n, p0) <= a)


def power(n, p1, p0=0.5, a=0.05):
    return stats.binom.sf(need(n, p0, a) - 1, n, p1)


def cp(k, n, a=0.05):
    return (0.0 if k == 0 else stats.beta.ppf(a / 2, k, n - k + 1), 1.0 if k == n else stats.beta.ppf(1 - a / 2, k + 1, n - k))


def wilson(k, n, z=1.959963984540054):
    p = k / n; d = 1 + z * z / n; c = p + z * z / (2 * n); h = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return (c - h) / d, (c + h) / d


def walk(N, p, stop):
    """exact: probability of ever stopping by trial N, mean number of trials; stop(n, k) -> bool"""
    w = {0: 1.0}; hit = 0.0; mean = 0.0
    for n in range(1, N + 1):
        v = {}
        for k, q in w.items():
            v[k] = v.get(k, 0) + q * (1 - p); v[k + 1] = v.get(k + 1, 0) + q * p
        w = {}
        for k, q in v.items():
            if stop(n, k):
                hit += q; mean += n * q
            else:
                w[k] = q
    return hit, mean + N * sum(w.values())


def evalue(k, n):
    """uniform mixture over p in (1/2, 1) against 1/2: 2^n * 2 * integral of p^k (1-p)^(n-k)"""
    return math.exp(n * math.log(2) + math.log(2) + special.betaln(k + 1, n - k + 1) + math.log(special.betainc(n - k + 1, k + 1, 0.5)))


PSI = lambda x, a, s, lam, g=0.5: g + (1 - g - lam) / (1 + np.exp(-(x - a) / s))


def fitpsi(X, K, N, lam=0.02):
    K, N, X = map(np.asarray, (K, N, X))
    def nll(a, ls):
        p = np.clip(PSI(X, a, np.exp(ls), lam), 1e-9, 1 - 1e-9); return -(K * np.log(p) + (N - K) * np.log(1 - p)).sum()
    best = min((optimize.minimize(lambda t: nll(*t), [a0, l0], method="Nelder-Mead", options=dict(xatol=1e-7, fatol=1e-10, maxiter=4000))
                for a0 in (np.median(X), X.mean()) for l0 in (-1.0, 0.0)), key=lambda r: r.fun)
    return best.x[0], np.exp(best.x[1]), best.fun, nll


_AG = np.round(np.arange(-5, 14.001, 0.02), 2)
_tab = {}


def _ll(x, lam, span):
    if (x, lam, span) not in _tab:
        ls = np.linspace(np.log(span[0]), np.log(span[1]), 61)
        p = np.clip(PSI(x, _AG[:, None], np.exp(ls)[None, :], lam), 1e-9, 1 - 1e-9)
        _tab[x, lam, span] = np.log(p), np.log(1 - p)
    return _tab[x, lam, span]


def interval(X, K, N, lam=0.02, crit=3.841458820694124, span=(0.05, 5.0)):
    """profile-likelihood interval of the threshold on a grid of 0.02 dB from -5 to 14; spread inside span (dB)"""
    ll = 0
    for x, k, n in zip(X, K, N):
        u, v = _ll(float(x), lam, span); ll = ll + k * u + (n - k) * v
    ll = ll.max(1); ok = _AG[2 * (ll.max() - ll) <= crit]
    return _AG[np.argmax(ll)], ok[0], ok[-1]


def bt(W, it=5000):
    """Bradley-Terry by Hunter's MM; W[i,j] = times i was preferred to j; sum of log-worths 0"""
    n = len(W); p = np.ones(n); N = W + W.T
    for _ in range(it):
        p = W.sum(1) / np.array([sum(N[i, j] / (p[i] + p[j]) for j in range(n) if j != i) for i in range(n)])
        p /= np.exp(np.log(p).mean())
    return np.log(p)


def kappa(M):
    M = np.asarray(M, float); n = M.sum(1)[0]; N = len(M)
    P = ((M * M).sum(1) - n) / (n * (n - 1)); pj = M.sum(0) / (N * n)
    return (P.mean() - (pj ** 2).sum()) / (1 - (pj ** 2).sum())


def sec4():
    chk("4b", "one-sided P(at least k of n by guessing 1/2): 9/10, 12/16, 14/20, 15/20, 20/30, 60/100", fl([stats.binom.sf(k - 1, n, .5) for k, n in ((9, 10), (12, 16), (14, 20), (15, 20), (20, 30), (60, 100))], "%.5f"))
    same(stats.binom.sf(11, 16, .5), sum(math.comb(16, i) for i in range(12, 17)) / 2 ** 16, 1e-15)
    ns = (5, 8, 10, 12, 16, 20, 24, 30, 40, 50, 100)
    chk("4b", "fewest right answers for p <= 0.05, guessing 1/2, n = 5, 8, 10, 12, 16, 20, 24, 30, 40, 50, 100", ", ".join(str(need(n)) for n in ns))
    chk("4b", "true size of those tests", fl([stats.binom.sf(need(n) - 1, n, .5) for n in ns]))
    chk("4b", "fewest right answers for p <= 0.01, the same n (n+1: impossible)", ", ".join(str(need(n, a=.01)) for n in ns))
    chk("4b", "fewest right answers, triangle (guessing 1/3), p <= 0.05, n = 10, 12, 18, 24, 30, 60", ", ".join(str(need(n, 1 / 3)) for n in (10, 12, 18, 24, 30, 60)))
    chk("4b", "two-sided (preference) fewest for one side, p <= 0.05, n = 6, 10, 16, 20, 30, 50", ", ".join(str(need(n, a=.025)) for n in (6, 10, 16, 20, 30, 50)))
    chk("4b", "power at n = 16 for true shares 0.6, 0.7, 0.75, 0.8, 0.9", fl([power(16, p) for p in (.6, .7, .75, .8, .9)]))
    def plan(p1, pw):
        for n in range(5, 3000):
            if all(power(m, p1) >= pw for m in range(n, n + 25)):
                return n
    def first(p1, pw):
        return next(n for n in range(5, 3000) if power(n, p1) >= pw)
    chk("4b", "trials for power 0.8 at share 0.6, 0.7, 0.75, 0.8, 0.9: first n that reaches it", ", ".join(str(first(p, .8)) for p in (.6, .7, .75, .8, .9)))
    chk("4b", "the same, smallest n from which every n reaches it", ", ".join(str(plan(p, .8)) for p in (.6, .7, .75, .8, .9)))
    chk("4b", "95 % Clopper-Pearson and Wilson for 12/16", "%.4f to %.4f; %.4f to %.4f" % (cp(12, 16) + wilson(12, 16)))
    chk("4b", "95 % Clopper-Pearson for 16/16 and 8/16", "%.4f to %.4f; %.4f to %.4f" % (cp(16, 16) + cp(8, 16)))
    chk("4b", "one-sided 95 % upper limit of the share after 8/16, 25/50; as share truly heard 2p - 1", "%.4f, %.4f; %.4f, %.4f" % (stats.beta.ppf(.95, 9, 8), stats.beta.ppf(.95, 26, 25), 2 * stats.beta.ppf(.95, 9, 8) - 1, 2 * stats.beta.ppf(.95, 26, 25) - 1))
    lo, hi = stats.binom.ppf([.025, .975], 2000, .5)
    chk("4b", "2000 guesses: 95 % range of right answers (equal tails, inclusive), probability inside", "%d to %d, %.4f" % (lo, hi, stats.binom.cdf(hi, 2000, .5) - stats.binom.cdf(lo - 1, 2000, .5)))
    # ---- sensitivity
    Ph = stats.norm.cdf
    afc = lambda d: Ph(d / math.sqrt(2))
    abx = lambda d: Ph(d / math.sqrt(2)) * Ph(d / 2) + Ph(-d / math.sqrt(2)) * Ph(-d / 2)
    abxd = lambda d: Ph(d / math.sqrt(2)) * Ph(d / math.sqrt(6)) + Ph(-d / math.sqrt(2)) * Ph(-d / math.sqrt(6))
    tri = lambda d: 2 * integrate.quad(lambda z: (Ph(-z * math.sqrt(3) + d * math.sqrt(2 / 3)) + Ph(-z * math.sqrt(3) - d * math.sqrt(2 / 3))) * stats.norm.pdf(z), 0, 12)[0]
    rs = np.random.RandomState(3)
    z = special.ndtri(np.clip(rs.random_sample((3, 400000)), 1e-12, 1 - 1e-12)); d = 1.5
    same(np.mean(np.abs(z[0] - z[2]) < np.abs(z[1] + d - z[2])), abxd(d), 3e-3)          # A, B compared with X = A, differencing
    right = (z[0] < z[1] + d) == (z[2] < d / 2); same(right.mean(), abx(d), 3e-3)        # A noise, B signal, X = A: order of A and B, and side of X
    y = z[2] + d
    ab = np.abs(z[0] - z[1]); ok = (ab < np.abs(z[0] - y)) & (ab < np.abs(z[1] - y)); same(ok.mean(), tri(d), 3e-3)
    for n, fn in (("2AFC Phi(d/sqrt2)", afc), ("ABX, independent observations", abx), ("ABX, differencing", abxd), ("triangle", tri)):
        chk("4d", "share right at d' = 0.5, 1, 1.5, 2, 3: " + n, fl([fn(x) for x in (.5, 1, 1.5, 2, 3)]))
    chk("4d", "trials for power 0.8 (first n) at d' = 1: 2AFC, ABX differencing", "%d, %d" % (first(afc(1), .8), first(abxd(1), .8)))
    # ---- looking early
    ever = lambda N, a0=5: walk(N, .5, lambda n, k: n >= a0 and stats.binom.sf(k - 1, n, .5) <= .05)[0]
    chk("4s", "guessing: chance of ever seeing p <= 0.05 when looking after each trial from the 5th to n = 16, 25, 50, 100", fl([ever(n) for n in (16, 25, 50, 100)]))
    look = (10, 20, 30)
    chk("4s", "the same, looks at 10, 20 and 30 only", walk(30, .5, lambda n, k: n in look and stats.binom.sf(k - 1, n, .5) <= .05)[0])
    cand = sorted({stats.binom.sf(k - 1, n, .5) for n in look for k in range(n // 2, n + 1)}, reverse=True)
    a = next(c for c in cand if walk(30, .5, lambda n, k: n in look and stats.binom.sf(k - 1, n, .5) <= c + 1e-12)[0] <= .05)
    ks = [next(k for k in range(n + 1) if stats.binom.sf(k - 1, n, .5) <= a + 1e-12) for n in look]
    fn = lambda n, k: n in look and k >= ks[look.index(n)]
    chk("4s", "three planned looks at 10, 20, 30 with one nominal level: right answers needed; true size; power at 0.75; of one look at 30", "%s; %.4f; %.4f; %.4f" % (", ".join(map(str, ks)), walk(30, .5, fn)[0], walk(30, .75, fn)[0], power(30, .75)))
    up, dn = math.log(.95 / .05), math.log(.05 / .95)
    lr = lambda n, k, p1: k * math.log(p1 / .5) + (n - k) * math.log((1 - p1) / .5)
    chk("4s", "SPRT 0.5 against 0.75, alpha = beta = 0.05: bounds, step right, step wrong", "%.4f, %.4f; %.4f, %.4f" % (dn, up, math.log(1.5), math.log(.5)))
    fa = walk(400, .5, lambda n, k: lr(n, k, .75) >= up or lr(n, k, .75) <= dn)
    def cross(p):       # probability to leave by the upper bound
        w = {0: 1.0}; h = 0.0
        for n in range(1, 401):
            v = {}
            for k, q in w.items():
                v[k] = v.get(k, 0) + q * (1 - p); v[k + 1] = v.get(k + 1, 0) + q * p
            w = {}
            for k, q in v.items():
                s = lr(n, k, .75)
                if s >= up: h += q
                elif s > dn: w[k] = q
        return h
    chk("4s", "its exact false alarm, power at 0.75, mean trials when guessing, at 0.75", "%.4f, %.4f, %.2f, %.2f" % (cross(.5), cross(.75), fa[1], walk(400, .75, lambda n, k: lr(n, k, .75) >= up or lr(n, k, .75) <= dn)[1]))
    chk("4s", "e-value, uniform mixture over (1/2, 1): 9/10, 12/16, 15/20, 20/30, 50/100", fl([evalue(k, n) for k, n in ((9, 10), (12, 16), (15, 20), (20, 30), (50, 100))], "%.3f"))
    same(evalue(12, 16), 2 * integrate.quad(lambda p: (2 * p) ** 12 * (2 - 2 * p) ** 4, .5, 1)[0], 1e-9)
    chk("4s", "stop when e >= 20: exact chance when guessing within 50, 200 trials; at 0.75 within 50, 100", fl([walk(N, p, lambda n, k: evalue(k, n) >= 20)[0] for N, p in ((50, .5), (200, .5), (50, .75), (100, .75))]))
    chk("4s", "fewest right answers for e >= 20 at n = 8, 10, 16, 20, 30, 50", ", ".join(str(next((k for k in range(n + 1) if evalue(k, n) >= 20), n + 1)) for n in (8, 10, 16, 20, 30, 50)))
    hg = stats.hypergeom(16, 8, 8)
    same(hg.sf(5), (784 + 64 + 1) / 12870, 1e-12)
    chk("4s", "key dealt half and half (8 of 16) to a guesser who says A eight times: P(12 or more right); with independent draws", "%.5f; %.5f" % (hg.sf(5), stats.binom.sf(11, 16, .5)))
    # ---- thresholds
    chk("4t", "up-down targets, 1-up: 2-, 3-, 4-down 0.5^(1/n); weighted up-down step up / step down = 3: S/(S+1)", fl([.5 ** .5, .5 ** (1 / 3), .5 ** .25, .75]))
    chk("4t", "logistic, guessing 0.5, lapse 0.02, threshold 3, spread 0.6 dB: share right at 2, 3, 4 dB; level of 0.7071, 0.75 (dB)",
        fl([PSI(x, 3, .6, .02) for x in (2, 3, 4)]) + "; " + fl([3 + .6 * math.log(q / (.48 - q)) for q in (.5 ** .5 - .5, .25)]))
    X, K, N = [1, 2, 3, 4, 5, 6], [11, 12, 15, 18, 20, 19], [20] * 6
    for lam in (0.0, 0.02, 0.05):
        a_, s_, f_, nll = fitpsi(X, K, N, lam)
        _, lo, hi = interval(X, K, N, lam)
        chk("4t", "levels 1-6 dB, 20 trials each, right 11, 12, 15, 18, 20, 19, lapse fixed at %.2f: threshold, spread, -log L (without binomials); 95 %% profile interval of the threshold" % lam, "%.3f, %.3f, %.4f; %.2f to %.2f" % (a_, s_, f_, lo, hi))
    rs = np.random.RandomState(20); inside = 0; est = []
    Xs = np.arange(1, 7); tr = PSI(Xs, 3.0, .6, .02)
    for _ in range(300):
        Kk = (rs.random_sample((6, 20)) < tr[:, None]).sum(1)
        e, lo, hi = interval(Xs, Kk, np.full(6, 20), .02); inside += lo <= 3.0 <= hi; est.append(e)
    chk("4t", "300 simulated listeners (threshold 3 dB, spread 0.6, lapse 0.02, 6 levels by 20): truth inside the 95 % interval; mean, sd of the estimate", "%.4f; %.3f, %.3f" % (inside / 300, np.mean(est), np.std(est)))
    inside = 0; est = []
    for _ in range(300):
        Kk = (rs.random_sample((6, 20)) < PSI(Xs, 3.0, .6, .06)[:, None]).sum(1)
        e, lo, hi = interval(Xs, Kk, np.full(6, 20), 0.0); inside += lo <= 3.0 <= hi; est.append(e)
    chk("4t", "the same with 6 % lapses, fitted with lapse 0: inside; mean, sd", "%.4f; %.3f, %.3f" % (inside / 300, np.mean(est), np.std(est)))
    rs = np.random.RandomState(21); tm, fits, ins = [], [], 0
    for _ in range(300):
        x, c, step, last, rev, lv, an = 8.0, 0, 2.0, 0, [], [], []
        while len(rev) < 10 and len(lv) < 120:
            r = rs.random_sample() < PSI(x, 3.0, .6, .02); lv.append(x); an.append(r); mv = 0
            if r:
                c += 1
                if c == 2: c = 0; mv = -1
            else:
                c = 0; mv = 1
            if mv:
                if last and mv != last:
                    rev.append(x)
                    step = 1.0 if len(rev) == 2 else 0.5 if len(rev) >= 4 else step
                last = mv; x = max(0.25, x + mv * step)
        tm.append(np.mean(rev[4:])); lv = np.array(lv); an = np.array(an)
        u = np.unique(lv); k = np.array([an[lv == q].sum() for q in u]); n = np.array([(lv == q).sum() for q in u])
        e, lo, hi = interval(u, k, n, .02); fits.append(e); ins += lo <= 3 <= hi
    chk("4t", "2-down 1-up, start 8 dB, steps 2, 1, 0.5, 10 reversals, 300 runs of that listener: mean of reversals 5-10, its sd (its 70.7 % level 2.83)", "%.3f, %.3f" % (np.mean(tm), np.std(tm)))
    chk("4t", "the same tracks fitted (lapse 0.02): mean, sd of the threshold; truth inside the 95 % profile interval", "%.3f, %.3f; %.4f" % (np.mean(fits), np.std(fits), ins / 300))
    def track(rs, tr, n=80):
        x, c, step, last, rev, lv, an = 8.0, 0, 2.0, 0, 0, [], []
        for _ in range(n):
            r = rs.random_sample() < PSI(x, *tr); lv.append(x); an.append(r); c = c + 1 if r else 0; mv = 0
            if not r: mv = 1
            elif c == 2: c, mv = 0, -1
            if mv:
                if last and mv != last:
                    rev += 1; step = 0.5 if rev >= 4 else 1.0 if rev >= 2 else step
                last = mv; x = min(max(0.25, x + mv * step), 12.0)
        lv, an = np.array(lv), np.array(an); u = np.unique(lv)
        return u, [an[lv == q].sum() for q in u], [(lv == q).sum() for q in u]
    who = ((3, .3, .02), (3, .6, .02), (3, 1.2, .02), (6, 1.5, .04), (1, .4, .02)); res = np.zeros((len(who), 2))
    for i, tr in enumerate(who):
        rs = np.random.RandomState(21)
        for _ in range(300):
            q = track(rs, tr)
            for j, cr in enumerate((3.841458820694124, 5.023886187314888)):
                _, lo, hi = interval(*q, .02, cr, (0.25, 3.0)); res[i, j] += lo <= tr[0] <= hi
    chk("4t", "2-down 1-up of 80 trials, start 8 dB, steps 2, 1 (after 2 reversals), 0.5 (after 4), levels 0.25-12 dB; fit with lapse 0.02, spread 0.25-3 dB; listeners (threshold, spread, lapse) (3,.3,.02), (3,.6,.02), (3,1.2,.02), (6,1.5,.04), (1,.4,.02), 300 runs each: truth inside, deviance 3.841", fl(res[:, 0] / 300, "%.3f"))
    chk("4t", "the same, deviance 5.024", fl(res[:, 1] / 300, "%.3f"))
    import hmac, hashlib
    sec = bytes(range(32)); bit = lambda i: hmac.new(sec, b"trial %d" % i, hashlib.sha256).digest()[0] & 1
    chk("4k", "secret 00 01 ... 1f (hex text, 64 digits): first 16 digits of its SHA-256; low bit of the first byte of HMAC-SHA256(secret, 'trial i'), i = 1..16", hashlib.sha256(sec.hex().encode()).hexdigest()[:16] + "; " + "".join(str(bit(i)) for i in range(1, 17)))
    # ---- preferences
    W = np.array([[0, 14, 17, 15], [6, 0, 12, 11], [3, 8, 0, 9], [5, 9, 11, 0]], float)
    L = bt(W)
    chk("4p", "Bradley-Terry, 20 comparisons a pair, wins [[-,14,17,15],[6,-,12,11],[3,8,-,9],[5,9,11,-]]: log-worths (sum 0)", fl(L))
    def nllbt(l):
        return -sum(W[i, j] * (l[i] - np.logaddexp(l[i], l[j])) for i in range(4) for j in range(4) if i != j)
    o = optimize.minimize(lambda v: nllbt(np.r_[v, -v.sum()]), np.zeros(3), tol=1e-12); same(np.r_[o.x, -o.x.sum()], L, 1e-5)
    P = np.exp(L)[:, None] / (np.exp(L)[:, None] + np.exp(L)[None, :]); Nn = W + W.T
    I = -Nn * P * (1 - P); np.fill_diagonal(I, 0); np.fill_diagonal(I, -I.sum(1)); V = np.linalg.pinv(I)
    chk("4p", "their standard errors (sum-zero); chance that item 1 is preferred to 3, its 95 % interval", fl(np.sqrt(np.diag(V))) + "; %.4f, %.4f to %.4f" % ((P[0, 2],) + tuple(1 / (1 + math.exp(-(L[0] - L[2] + s * 1.959964 * math.sqrt(V[0, 0] + V[2, 2] - 2 * V[0, 2])))) for s in (-1, 1))))
    G2 = 2 * (nllbt(np.zeros(4)) - nllbt(L))
    chk("4p", "likelihood-ratio chi square, all equal, 3 degrees of freedom; p", "%.4f, %.6f" % (G2, stats.chi2.sf(G2, 3)))
    sat = -sum(W[i, j] * math.log(W[i, j] / Nn[i, j]) for i in range(4) for j in range(4) if i != j)
    chk("4p", "goodness of fit against the saturated model, 3 degrees of freedom; p", "%.4f, %.4f" % (2 * (nllbt(L) - sat), stats.chi2.sf(2 * (nllbt(L) - sat), 3)))
    t = np.array([[0, 1, 1, 0, 1], [0, 0, 1, 1, 1], [0, 0, 0, 1, 0], [1, 0, 0, 0, 1], [0, 0, 1, 0, 0]])
    d = 5 * 4 * (2 * 5 - 1) / 12 - (t.sum(1) ** 2).sum() / 2
    brute = sum(1 for i, j, k in itertools.combinations(range(5), 3) if sorted([t[i, j] + t[i, k], t[j, i] + t[j, k], t[k, i] + t[k, j]]) == [1, 1, 1])
    assert d == brute
    chk("4p", "circular triads of rows 01101, 00111, 00010, 10001, 00100; coefficient of consistence 1 - 24 d/(t^3 - t)", "%d, %.4f" % (d, 1 - 24 * d / (125 - 5)))
    # ---- several listeners
    res = [(12, 16), (9, 16), (14, 20)]
    k, n = map(sum, zip(*res))
    z = [stats.norm.isf(stats.binom.sf(a - 1, b, .5)) for a, b in res]
    chk("4l", "listeners 12/16, 9/16, 14/20: pooled exact p; Stouffer with weights sqrt n of the one-sided p; Fisher", "%.5f; %.5f; %.5f" % (stats.binom.sf(k - 1, n, .5), stats.norm.sf(sum(math.sqrt(b) * y for (a, b), y in zip(res, z)) / math.sqrt(n)), stats.chi2.sf(-2 * sum(math.log(stats.binom.sf(a - 1, b, .5)) for a, b in res), 6)))
    res = [(15, 16), (8, 16), (7, 16), (9, 16)]; k, n = map(sum, zip(*res)); p = k / n
    chk("4l", "listeners 15, 8, 7, 9 of 16: chi square of equal shares (3 degrees), p; dispersion", "%.4f, %.5f; %.4f" % ((lambda c: (c, stats.chi2.sf(c, 3), c / 3))(sum((a - b * p) ** 2 / (b * p * (1 - p)) for a, b in res))))
    m = np.array([a / b for a, b in res]); se = m.std(ddof=1) / 2
    chk("4l", "95 % interval of the mean share: trials pooled (Wilson) / listeners as the unit (t, 3 degrees)", "%.4f to %.4f / %.4f to %.4f" % (wilson(k, n) + (m.mean() - stats.t.ppf(.975, 3) * se, m.mean() + stats.t.ppf(.975, 3) * se)))
    M = [[0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1], [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7]]
    chk("4l", "Fleiss kappa of a textbook table (10 items, 14 raters, 5 classes; rows as in the script)", kappa(M))
    chk("4l", "Fleiss kappa of pair choices, 5 raters, A chosen 5, 4, 5, 3, 1, 0 times of 5", kappa([[a, 5 - a] for a in (5, 4, 5, 3, 1, 0)]))
    # ---- many tests
    pv = np.array([.0008, .009, .012, .019, .027, .041, .06, .20, .45, .80]); mm = len(pv)
    q = np.minimum.accumulate((pv * mm / np.arange(1, mm + 1))[::-1])[::-1]
    chk("4m", "p .0008 .009 .012 .019 .027 .041 .06 .20 .45 .80: Benjamini-Hochberg q", fl(q))
    chk("4m", "kept at 0.05: uncorrected, Benjamini-Hochberg, Benjamini-Yekutieli, Holm", "%d, %d, %d, %d" % ((pv <= .05).sum(), (q <= .05).sum(), (np.minimum.accumulate((pv * mm * (1 / np.arange(1, mm + 1)).sum() / np.arange(1, mm + 1))[::-1])[::-1] <= .05).sum(), np.cumprod(pv <= .05 / (mm - np.arange(mm))).sum()))
    chk("4m", "20 tests of nothing at 0.05: mean number of false finds, chance of one or more; Sidak level for 0.05 in all", "%.2f, %.4f, %.6f" % (1, 1 - .95 ** 20, 1 - .95 ** .05))
    # ---- published figures as formulas
    J = lambda s: 10 * np.log10(1 + 0.463 * 10 ** (-0.072 * s / 10))
    chk("4a", "tone level step 10 log10(1 + 0.463 (I/I0)^-0.072) at 20, 40, 60, 80 dB above threshold (dB)", fl([J(s) for s in (20, 40, 60, 80)], "%.3f"))
    chk("4a", "resonance frequency step 0.079/sqrt Q at Q 1, 5, 10, 30 (%)", fl([7.9 / math.sqrt(q) for q in (1, 5, 10, 30)], "%.2f"))
    chk("4a", "group delay of the analogue fourth-order crossover's all-pass (2nd order, Q 0.7071) at f -> 0 and at f0: 2 kHz (ms)", "%.4f, %.4f" % (2 / (.70710678 * 2 * np.pi * 2000) * 1e3, 4 * .70710678 / (2 * np.pi * 2000) * 1e3))
    chk("4a", "Q at which the product's own rule asks 3, 4, 6 dB: line through (1, 1), (10, 5), (50, 10) over log Q", fl([10 ** ((x - 1) / 4) if x <= 5 else 10 ** (1 + (x - 5) / 5 * math.log10(5)) for x in (3, 4, 6)], "%.3f"))


# ================================================================ 5 exposure
def sec5():
    pa2h = lambda L, h: (20e-6) ** 2 * 10 ** (L / 10) * h
    chk("5", "80 dB(A) 40 h and 75 dB(A) 40 h a week as exposure (Pa2 h)", fl([pa2h(80, 40), pa2h(75, 40)]))
    hh = lambda L, L0=80: 40 * 10 ** (-(L - L0) / 10)
    chk("5", "hours a week at 75, 80, 83, 85, 90, 95, 100, 105 dB(A) for 80 dB/40 h", fl([hh(L) for L in (75, 80, 83, 85, 90, 95, 100, 105)], "%.3f"))
    chk("5", "the same for 75 dB/40 h", fl([hh(L, 75) for L in (75, 80, 83, 85, 90, 95, 100, 105)], "%.3f"))
    chk("5", "NIOSH minutes a day at 85, 88, 91, 94, 97, 100, 105 dB(A), 480/2^((L-85)/3)", fl([480 / 2 ** ((L - 85) / 3) for L in (85, 88, 91, 94, 97, 100, 105)], "%.2f"))
    chk("5", "85 dB(A), 8 h on 5 days as exposure (Pa2 h); re the weekly 1.6 (dB)", "%.3f, %.2f" % (pa2h(85, 40), 10 * np.log10(pa2h(85, 40) / 1.6)))
    s = [(72, 1.5), (80, .5), (92, .1)]
    tot = sum(pa2h(*x) for x in s)
    chk("5", "90 min at 72, 30 min at 80, 6 min at 92 dB(A): share of 1.6 Pa2 h (%); level that would spend the week's in 40 h (dB)", "%.2f, %.2f" % (100 * tot / 1.6, 10 * np.log10(tot / 40 / (20e-6) ** 2)))
    chk("5", "headphone 100 dB/mW, 32 ohm: dB at 1 V rms; at -20 dBFS rms from an output of 2 V rms full-scale sine (dB SPL)", "%.3f, %.3f" % (100 + 10 * np.log10(1000 / 32), 100 + 10 * np.log10(1000 / 32) + 20 * np.log10(2) - 20 + 3.0103 - 3.0103))
    chk("5", "a 6 dB louder control: share of the allowed time", 10 ** -.6, "%.4f")


def oracles():
    import warnings; warnings.simplefilter("ignore")
    fs = 48000
    try:
        import pyloudnorm as pyln
        rs = np.random.RandomState(1)
        for fs in (44100, 48000, 96000):
            x = np.cumsum(rs.random_sample((fs * 6, 2)) - .5, 0); x = signal.lfilter([1, -1], [1, -.995], x, axis=0); x /= np.abs(x).max()
            x[fs * 2:fs * 3] *= .02
            m = [pyln.Meter(fs, filter_class=c).integrated_loudness(x) for c in ("K-weighting", "DeMan")]
            print("oracle loudness %d: own %.4f, pyloudnorm default %.4f, with the DeMan class %.4f" % (fs, lufs(x.T, fs), *m))
            t = tone(fs, 997, [(0, 5)])
            print("   997 Hz: own %.4f, default %.4f, DeMan %.4f" % (lufs(t, fs), *[pyln.Meter(fs, filter_class=c).integrated_loudness(t) for c in ("K-weighting", "DeMan")]))
    except ImportError:
        print("pyloudnorm not installed")
    try:
        import statsmodels.api as sm
        from statsmodels.stats.inter_rater import fleiss_kappa
        from statsmodels.stats.multitest import multipletests
        W = np.array([[0, 14, 17, 15], [6, 0, 12, 11], [3, 8, 0, 9], [5, 9, 11, 0]])
        y, Xd = [], []
        for i, j in itertools.combinations(range(4), 2):
            r = np.zeros(4); r[i], r[j] = 1, -1; y.append([W[i, j], W[j, i]]); Xd.append(r[:3] - r[3] * 0)
        g = sm.GLM(np.array(y), np.array(Xd), family=sm.families.Binomial()).fit()
        l = np.r_[g.params, 0]; l -= l.mean(); same(l, bt(W.astype(float)), 1e-5)
        print("oracle Bradley-Terry: equal within 1e-5")
        pv = [.0008, .009, .012, .019, .027, .041, .06, .20, .45, .80]
        print("oracle q", multipletests(pv, method="fdr_bh")[1].round(4), "BY kept", multipletests(pv, method="fdr_by")[0].sum(), "Holm kept", multipletests(pv, method="holm")[0].sum())
        print("oracle kappa %.4f" % fleiss_kappa(np.array([[a, 5 - a] for a in (5, 4, 5, 3, 1, 0)])))
    except ImportError:
        print("statsmodels not installed")


def main():
    for fn in (sec1, sec2, sec3, sec4, sec5):
        fn()
    if "--oracles" in sys.argv:
        oracles(); return
    if "--verify" in sys.argv:
        i = sys.argv.index("--verify") + 1
        p = sys.argv[i] if i < len(sys.argv) and not sys.argv[i].startswith("--") else os.path.join(os.path.dirname(os.path.abspath(__file__)), "hearing.md")
        got = {}
        for ln in open(p, encoding="utf-8").read().splitlines():
            m = re.match(r"^\| (C\d+\.\d+) \| (.*) \| `(.*)` \|$", ln)
            if m:
                got[m.group(1)] = (m.group(2), m.group(3))
        bad = 0
        for g, i, t, v in CH:
            if i not in got:
                print("MISSING in document:", i); bad += 1
            elif got[i] != (t.replace("|", "\\|"), v):
                print("DIFFERS:", i, got[i], (t, v)); bad += 1
        extra = set(got) - {c[1] for c in CH}
        if SKIPPED:
            extra = {e for e in extra if not e.startswith("C3.")}
            print("not computed here:", ", ".join(SKIPPED))
        print("checks computed %d, found in document %d, differing or missing %d, unknown ids %d" % (len(CH), len(got), bad, len(extra)))
        sys.exit(1 if bad or extra else 0)
    last = None
    for g, i, t, v in CH:
        if "--groups" in sys.argv:
            if g != last:
                print("\n@@%s\n| check | what | value |\n|---|---|---|" % g)
            print("| %s | %s | `%s` |" % (i, t.replace("|", "\\|"), v))
        else:
            print("%-6s %s = %s" % (i, t, v))
        last = g
    if "--groups" not in sys.argv:
        print("%d check values, all internal cross-checks passed" % len(CH))


if __name__ == "__main__":
    main()
