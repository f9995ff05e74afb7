# ruff: noqa
"""Rigid rectangular boxes with flat circular pistons: solver and stored data.

usage: python3 boxes.py OUTPUT_FOLDER [NAME...] [coarse]
Coordinates (output): x forward, y left, z up, origin = reference point on the
front face.  Internally body-centred."""

import sys, os, time, json
import numpy as np
from scipy.interpolate import CubicSpline
import bem
from bem import RHO, C0, SIGNS

# width, height, depth; ref below top; ref to the left of the middle; drivers: name, face, y, z (from reference), diameter
GEOM = {
    "A": dict(
        w=0.21,
        h=0.36,
        d=0.3,
        top=0.09,
        left=0.0,
        scan=(0.42, 0.47),
        drivers=[
            ("woofer", "front", 0.0, -0.15, 0.13),
            ("tweeter", "front", 0.0, 0.0, 0.025),
            ("port", "front", 0.0, -0.245, 0.05),
        ],
    ),
    "B": dict(
        w=0.26,
        h=0.27,
        d=0.25,
        top=0.08,
        left=0.0,
        scan=(0.4, 0.45),
        drivers=[
            ("woofer", "front", 0.0, -0.125, 0.16),
            ("tweeter", "front", 0.0, 0.0, 0.025),
            ("port", "back", 0.0, -0.1, 0.05),
        ],
    ),
    "C": dict(
        w=0.2,
        h=0.95,
        d=0.32,
        top=0.1,
        left=0.0,
        scan=(0.8, 0.9),
        drivers=[
            ("mid", "front", 0.0, -0.14, 0.13),
            ("woofer", "front", 0.0, -0.3, 0.14),
            ("tweeter", "front", 0.0, 0.0, 0.025),
            ("port", "front", 0.0, -0.75, 0.06),
        ],
    ),
    "D": dict(
        w=0.36,
        h=0.55,
        d=0.28,
        top=0.12,
        left=0.03,
        scan=(0.58, 0.64),
        drivers=[
            ("woofer", "front", 0.0, -0.22, 0.21),
            ("tweeter", "front", 0.0, 0.0, 0.03),
            ("port", "front", -0.09, -0.37, 0.07),
        ],
    ),
    "E": dict(
        w=0.16,
        h=0.25,
        d=0.2,
        top=0.07,
        left=0.0,
        scan=(0.32, 0.37),
        drivers=[
            ("woofer", "front", 0.0, -0.1, 0.1),
            ("tweeter", "front", 0.0, 0.0, 0.02),
        ],
    ),
    "G": dict(
        w=0.4,
        h=0.26,
        d=0.22,
        top=0.1,
        left=0.0,
        scan=(0.46, 0.52),
        drivers=[
            ("woofer", "front", 0.11, -0.03, 0.13),
            ("tweeter", "front", 0.0, 0.0, 0.025),
            ("port", "front", -0.12, -0.06, 0.05),
        ],
    ),
    "H": dict(
        w=0.22,
        h=0.42,
        d=0.36,
        top=0.1,
        left=0.0,
        scan=(0.5, 0.56),
        drivers=[
            ("woofer", "front", 0.0, -0.18, 0.165),
            ("tweeter", "front", 0.0, 0.0, 0.025),
            ("port", "back", 0.0, 0.04, 0.06),
        ],
    ),
}


def breaks(L, hmax, edge):
    """panel ends 0..L, small panels (list edge, from the edge inwards) at L"""
    e = L - np.cumsum(edge)
    n = max(1, int(np.ceil(e[-1] / hmax - 1e-9)))
    return np.concatenate([np.linspace(0, e[-1], n + 1), e[::-1][1:], [L]])


class Speaker:
    def __init__(self, geom, hmax, edge, nchief=40, seed=1):
        self.g = geom
        self.L = np.array([geom["d"], geom["w"], geom["h"]]) / 2
        self.ref = np.array([self.L[0], geom["left"], self.L[2] - geom["top"]])
        self.mesh = m = bem.Box(self.L, [breaks(l, hmax, edge) for l in self.L])
        self.names = [d[0] for d in geom["drivers"]]
        self.nd = len(self.names)
        self.sgn = np.array([1 if d[1] == "front" else -1 for d in geom["drivers"]])
        self.cen = np.array(
            [[s * self.L[0], self.ref[1] + d[2], self.ref[2] + d[3]] for d, s in zip(geom["drivers"], self.sgn)]
        )
        self.a = np.array([d[4] / 2 for d in geom["drivers"]])
        self.S = bem.Targets(m, m.X)
        rng = np.random.default_rng(seed)
        self.xc = rng.uniform(0.04, 0.93, (nchief, 3)) * self.L
        self.C = bem.Targets(m, self.xc)
        self.full = np.stack([s * m.X for s in SIGNS])  # (8,M,3)
        # fine quadrature of the front panels for the moments of the baffled pressure
        self.fp = np.where(m.pface == 0)[0]
        ns, q = 4, 4
        gx, gw = np.polynomial.legendre.leggauss(q)
        u = np.concatenate([(gx + 1) / ns + 2 * i / ns - 1 for i in range(ns)])
        wu = np.tile(gw / ns, ns)
        uu, vv = [b.ravel() for b in np.meshgrid(u, u, indexing="ij")]
        ww = np.outer(wu, wu).ravel()
        self.fineX = m.geom(np.repeat(self.fp, len(uu)), np.tile(uu, len(self.fp)), np.tile(vv, len(self.fp)))[
            0
        ].reshape(len(self.fp), -1, 3)
        Lg = (bem.lag(uu)[:, :, None] * bem.lag(vv)[:, None, :]).reshape(len(uu), -1)
        nodew = np.outer(bem.GW, bem.GW).ravel()
        self.fineL = ww[:, None] * Lg / nodew
        self.fcols = np.where(m.face == 0)[0]
        self.ocols = np.where(m.face != 0)[0]

    def baffled_table(self, k, i):
        """p on the baffle plane of driver i (unit volume velocity) against lateral distance"""
        a = self.a[i]
        far = 2 * np.linalg.norm(self.L[1:]) + 0.05
        t = np.concatenate([np.linspace(0, 0.9, 25)[:-1], 1 - np.geomspace(0.1, 2e-4, 22)])
        o = np.concatenate(
            [
                1 + np.geomspace(2e-4, 0.3, 26),
            ]
        )
        r = np.concatenate([a * t, a * o, np.linspace(a * 1.3, far, int(far / 0.0035))[1:]])
        S = bem.disc_G(k, np.stack([r, 0 * r], 1), 0 * r, (0.0, 0.0), a, 2048)
        p = 2j * k * C0 * RHO / (np.pi * a * a) * S
        ph = np.exp(1j * k * np.maximum(r, 0))
        cs = CubicSpline(r, p * ph)
        return lambda x: cs(x) * np.exp(-1j * k * x)

    def direct(self, k, X):
        """j w rho int G v dS at body-centred points for unit volume velocity, (n,nd)"""
        out = np.empty((len(X), self.nd), complex)
        for i in range(self.nd):
            out[:, i] = (
                1j
                * k
                * C0
                * RHO
                / (np.pi * self.a[i] ** 2)
                * bem.disc_G(k, X[:, 1:], X[:, 0] - self.cen[i, 0], self.cen[i, 1:], self.a[i], 384)
            )
        return out

    def solve(self, k, chief=True):
        m = self.mesh
        P = np.zeros((8, m.M, self.nd), complex)
        for i in range(self.nd):
            tab = self.baffled_table(k, i)
            for g, s in enumerate(SIGNS):
                if s[0] != self.sgn[i]:
                    continue
                Y = self.fineX * s
                rho = np.hypot(Y[..., 1] - self.cen[i, 1], Y[..., 2] - self.cen[i, 2])
                P[g, self.fcols, i] = (tab(rho) @ self.fineL).ravel()
        b = np.zeros((8, m.M, self.nd), complex)
        for g in range(8):
            b[g] = self.direct(k, self.full[g])
        for i in range(self.nd):  # exact on the driver's own face
            for g in np.where(SIGNS[:, 0] == self.sgn[i])[0]:
                b[g][self.fcols, i] = 0
        bc = np.stack([self.direct(k, s * self.xc) for s in SIGNS])
        Dp = bem.hadamard(self.S.D(k))
        Cp = bem.hadamard(self.C.D(k))
        Pp, bp, cp = bem.to_par(P), bem.to_par(b), bem.to_par(bc)
        DP = np.stack([Dp[a] @ Pp[a] for a in range(8)])
        dp = bem.from_par(DP)
        for i in range(self.nd):
            for g in np.where(SIGNS[:, 0] == self.sgn[i])[0]:
                dp[g][self.fcols, i] = 0
        rhs = bp + bem.to_par(dp)
        crhs = cp + np.stack([Cp[a] @ Pp[a] for a in range(8)])
        p = bem.solve(Dp, Cp, rhs, crhs, chief)
        # relative residuals
        self.cres = np.sqrt(
            sum(np.linalg.norm(-Cp[a] @ p[a] - crhs[a]) ** 2 for a in range(8)) / np.linalg.norm(crhs) ** 2
        )
        return bem.from_par(p) + P

    def field(self, k, X, p, targets=None):
        """exterior points away from the surface, (n,nd)"""
        out = self.direct(k, X)
        if targets is not None:
            D = targets.D(k)
            for g in range(8):
                out += D[g] @ p[g]
            return out
        m = self.mesh
        for g, s in enumerate(SIGNS):
            for c in range(0, len(X), 400):
                T = X[c : c + 400] * s
                dn = np.stack([(T[:, f, None] - m.L[f]) for f in range(3)], 1)[:, :, 0][:, m.face]
                r2 = (T**2).sum(1)[:, None] + (m.X**2).sum(1)[None] - 2 * T @ m.X.T
                r = np.sqrt(r2)
                kr = k * r
                q = m.w * dn / (4 * np.pi * r2 * r)
                cc, ss = np.cos(kr), np.sin(kr)
                K = np.empty(r.shape, complex)
                K.real = q * (cc + kr * ss)
                K.imag = q * (kr * cc - ss)
                out[c : c + 400] += K @ p[g]
        return out

    def farfield(self, k, d, p):
        """limit of r p exp(jkr), r from the reference point; d (n,3) unit"""
        m = self.mesh
        out = np.empty((len(d), self.nd), complex)
        from scipy.special import j1

        for i in range(self.nd):
            st = k * self.a[i] * np.hypot(d[:, 1], d[:, 2])
            dirv = np.where(st < 1e-6, 1, 2 * j1(np.maximum(st, 1e-12)) / np.maximum(st, 1e-12))
            out[:, i] = 1j * k * C0 * RHO / (4 * np.pi) * dirv * np.exp(1j * k * (d @ (self.cen[i] - self.ref)))
        for g, s in enumerate(SIGNS):
            ds = d * s
            K = 1j * k / (4 * np.pi) * ds[:, m.face] * m.w * np.exp(1j * k * (ds @ m.X.T - (d @ self.ref)[:, None]))
            out += K @ p[g]
        return out

    # near points: mirror image in the plane of the face, exact on that face
    def near_setup(self, X, sgn):
        """X (n,3) body-centred points at or in front of the front (+1)/back (-1) plane"""
        Xm = X.copy()
        Xm[:, 0] = 2 * sgn * self.L[0] - X[:, 0]
        return dict(X=X, Xm=Xm, sgn=sgn, T=bem.Targets(self.mesh, X), Tm=bem.Targets(self.mesh, Xm))

    def near_field(self, k, st, p):
        out = self.direct(k, st["X"]) + self.direct(k, st["Xm"])
        for T in (st["T"], st["Tm"]):
            D = T.D(k)
            for g in range(8):
                own = SIGNS[g, 0] == st["sgn"]
                c = self.ocols if own else slice(None)
                out += D[g][:, c] @ p[g][c]
        return out


def orbits():
    a = np.arange(0, 360, 10)
    h = np.stack([np.cos(np.radians(a)), np.sin(np.radians(a)), 0 * a], 1)
    v = np.stack([np.cos(np.radians(a)), 0 * a, np.sin(np.radians(a))], 1)
    kv = (a != 0) & (a != 180)
    wrap = lambda q: np.where(q > 180, q - 360, q)
    d = np.concatenate([h, v[kv]])
    return d, np.array(["H"] * 36 + ["V"] * 34), np.concatenate([wrap(a), wrap(a[kv])]).astype(float)


def piston_points(a, nr=6, nt=12):
    x, w = np.polynomial.legendre.leggauss(nr)
    x, w = (x + 1) / 2, w / 2
    r = a * np.sqrt(1 - (1 - x) ** 2) if False else a * (1 - (1 - x) ** 2)  # denser at the rim
    wr = w * 2 * (1 - x) * a * r
    t = (np.arange(nt) + 0.5) * 2 * np.pi / nt
    X = np.stack([np.outer(r, np.cos(t)).ravel(), np.outer(r, np.sin(t)).ravel()], 1)
    W = np.repeat(wr, nt)
    return X, W / W.sum()


NEAR_D = (0.002, 0.005, 0.010)


def setup_targets(sp):
    st = {}
    pts, idx = {1: [], -1: []}, {1: [], -1: []}
    pis = []
    for i in range(sp.nd):
        s = sp.sgn[i]
        for jd, dd in enumerate(NEAR_D):
            pts[s].append(sp.cen[i] + [s * dd, 0, 0])
            idx[s].append(("n", i, jd))
        Y, W = piston_points(sp.a[i])
        pis.append(W)
        for q, y in enumerate(Y):
            pts[s].append(sp.cen[i] + [0, y[0], y[1]])
            idx[s].append(("p", i, q))
    return {s: (sp.near_setup(np.array(pts[s]), s), idx[s]) for s in pts if pts[s]}, pis


def eval_near(sp, k, tg, pis, p):
    near = np.zeros((sp.nd, len(NEAR_D), sp.nd), complex)
    Z = np.zeros((sp.nd, sp.nd), complex)
    for s, (st, idx) in tg.items():
        f = sp.near_field(k, st, p)
        for row, (t, i, q) in zip(f, idx):
            if t == "n":
                near[i, q] = row
            else:
                Z[i] += pis[i][q] * row
    return near, Z


def freqs():
    return 20 * 2 ** (np.arange(88) / 12)  # 20 Hz .. 3044 Hz, 1/12 octave


def plan(L, coarse=False):
    """mesh by frequency: (upper limit Hz, hmax, edge panels)"""
    big = max(L) > 0.4
    if coarse:
        return [(450, 0.12, [0.015, 0.03]), (1500, 0.06, [0.012, 0.02]), (9999, 0.05, [0.008, 0.016])]
    return [(450, 0.09, [0.008, 0.02]), (1500, 0.055, [0.007, 0.016]), (9999, 0.042 if big else 0.034, [0.006, 0.014])]


def energy_dirs(nt=28, nph=56):
    x, w = np.polynomial.legendre.leggauss(nt)
    ph = (np.arange(nph) + 0.5) * 2 * np.pi / nph
    s = np.sqrt(1 - x * x)
    d = np.stack([np.outer(s, np.cos(ph)).ravel(), np.outer(s, np.sin(ph)).ravel(), np.repeat(x, nph)], 1)
    return d, np.repeat(w, nph) * 2 * np.pi / nph


def compute(name, out, coarse=False, fsel=None, log=print):
    G = GEOM[name]
    F = freqs()
    if fsel is not None:
        F = F[fsel]
    d, orb, ang = orbits()
    third = (np.arange(len(F)) % 4 == 0) if fsel is None else np.zeros(len(F), bool)
    nd = len(G["drivers"])
    r = np.array([1.0, 2.0, 4.0])
    orbp = np.zeros((len(F), nd, 3, 70), complex)
    ff = np.zeros((len(F), nd, 70), complex)
    near = np.zeros((len(F), nd, nd, 3), complex)
    Z = np.zeros((len(F), nd, nd), complex)
    # scan sphere: 24 x 48 midpoints about the middle of the box
    el = np.radians(-90 + (np.arange(24) + 0.5) * 7.5)
    az = np.radians((np.arange(48) + 0.5) * 7.5)
    sd = np.stack(
        [np.outer(np.cos(el), np.cos(az)).ravel(), np.outer(np.cos(el), np.sin(az)).ravel(), np.repeat(np.sin(el), 48)],
        1,
    )
    scan = np.zeros((third.sum(), nd, 2, 24 * 48), complex)
    pw = np.full((len(F), nd), np.nan)
    cres = np.zeros(len(F))
    nn = np.zeros(len(F), int)
    ed, ew = energy_dirs()
    fmax0 = 0
    order = np.arange(len(F))
    sp = None
    lim = None
    for n in order:
        f = F[n]
        k = 2 * np.pi * f / C0
        for l, h, e in plan(np.array([G["d"], G["w"], G["h"]]) / 2, coarse):
            if f <= l:
                break
        if l != lim:
            t0 = time.time()
            sp = Speaker(G, h, e, 40 if coarse else 60, seed=7 if coarse else 1)
            tg, pis = setup_targets(sp)
            lim = l
            log(
                "%s mesh up to %g Hz: %d nodes (%d per octant), setup %.1f s"
                % (name, l, 8 * sp.mesh.M, sp.mesh.M, time.time() - t0)
            )
            f1 = C0 / 2 * np.sqrt((1 / (4 * sp.L**2)).sum())
        t0 = time.time()
        p = sp.solve(k, f > 0.8 * f1)
        t1 = time.time()
        ff[n] = sp.farfield(k, d, p).T
        for q in range(3):
            orbp[n, :, q] = sp.field(k, sp.ref + r[q] * d, p).T
        nr, z = eval_near(sp, k, tg, pis, p)
        near[n] = nr.transpose(2, 0, 1)
        Z[n] = z.T
        if n % 4 == 0 or fsel is not None:
            e = sp.farfield(k, ed, p)
            pf = (np.abs(e) ** 2 * ew[:, None]).sum(0) / (2 * RHO * C0)
            pw[n] = pf / (0.5 * np.real(np.diag(z)))
        if third[n]:
            for q in range(2):
                scan[third[:n].sum(), :, q] = sp.field(k, G["scan"][q] * sd, p).T
        cres[n] = sp.cres
        nn[n] = 8 * sp.mesh.M
        log(
            "%s %7.1f Hz solve %.1f eval %.1f s interior residual %.1e power ratio-1 %s recip %.1e"
            % (name, f, t1 - t0, time.time() - t1, cres[n], np.round(pw[n] - 1, 5), np.max(np.abs(z - z.T) / np.abs(z)))
        )
    mid = -sp.ref
    c64 = lambda x: x.astype(np.complex64)
    np.savez_compressed(
        out,
        frequency_hz=F,
        driver=np.array(sp.names),
        driver_face=np.array([q[1] for q in G["drivers"]]),
        driver_centre_m=sp.cen - sp.ref,
        driver_radius_m=sp.a,
        box_whd_m=np.array([G["w"], G["h"], G["d"]]),
        box_middle_m=mid,
        rho=RHO,
        c=C0,
        direction=d,
        orbit=orb,
        angle_deg=ang,
        orbit_radius_m=r,
        orbit_p=c64(orbp),
        far_rp=c64(ff),
        near_distance_m=np.array(NEAR_D),
        near_point_m=np.array([[sp.cen[i] - sp.ref + [sp.sgn[i] * q, 0, 0] for q in NEAR_D] for i in range(sp.nd)]),
        near_p=c64(near),
        mean_surface_p=c64(Z),
        scan_frequency_hz=F[third],
        scan_radius_m=np.array(G["scan"]),
        scan_direction=sd,
        scan_elevation_deg=np.degrees(el),
        scan_azimuth_deg=np.degrees(az),
        scan_p=c64(scan),
        check_power_ratio=pw,
        check_interior_residual=cres,
        check_nodes=nn,
    )
    return dict(F=F, ff=ff, orbp=orbp, near=near, Z=Z, scan=scan, pw=pw)


if __name__ == "__main__":
    out = sys.argv[1]
    which = [q for q in sys.argv[2:] if q in GEOM] or ["A"]
    co = "coarse" in sys.argv
    for q in which:
        compute(q, os.path.join(out, q + ("_coarse" if co else "") + ".npz"), co, log=lambda s: print(s, flush=True))
