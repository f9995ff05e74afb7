# ruff: noqa
"""Exterior Neumann Helmholtz boundary elements (Nystrom, 3 x 3 Gauss panels).

exp(+j w t), outgoing exp(-jkr)/r.  Bodies with three mirror planes: only the
octant x,y,z >= 0 (body-centred coordinates) is meshed and the problem is split
in 8 parity classes.  Sources need not be symmetric.  numpy/scipy only.

Integral equation (n points out of the body, x on a smooth surface point):
   p(x)/2 = int p dG/dn dS + j w rho int G v dS          (1 outside, 0 inside)
"""

import numpy as np
from scipy.linalg import lu_factor, lu_solve, cho_factor, cho_solve
from scipy.linalg.blas import zherk
from scipy.interpolate import CubicSpline

RHO, C0 = 1.204, 343.2
SIGNS = np.array([[1 - 2 * (g & 1), 1 - (g & 2), 1 - (g & 4) // 2] for g in range(8)], float)
CHI = np.array([[(-1.0) ** bin(a & g).count("1") for g in range(8)] for a in range(8)])
NQ = 3
GU, GW = np.polynomial.legendre.leggauss(NQ)


def lag(u):
    """Lagrange basis on the NQ Gauss nodes, u (...,) -> (..., NQ)"""
    out = np.ones(u.shape + (NQ,))
    for i in range(NQ):
        for m in range(NQ):
            if m != i:
                out[..., i] *= (u - GU[m]) / (GU[i] - GU[m])
    return out


class Mesh:
    def finish(self):
        n = self.npan
        uu, vv = np.meshgrid(GU, GU, indexing="ij")
        ww = np.outer(GW, GW).ravel()
        pid = np.repeat(np.arange(n), NQ * NQ)
        X, nr, jac = self.geom(pid, np.tile(uu.ravel(), n), np.tile(vv.ravel(), n))
        self.X, self.n, self.w = X, nr, np.tile(ww, n) * jac
        self.M, self.pid = len(X), pid
        s = np.linspace(-1, 1, 7)
        su, sv = [a.ravel() for a in np.meshgrid(s, s, indexing="ij")]
        P = np.repeat(np.arange(n), len(su))
        self.samp = self.geom(P, np.tile(su, n), np.tile(sv, n))[0].reshape(n, -1, 3)
        c = self.samp.mean(1)
        self.cen = c
        self.diam = 2 * np.linalg.norm(self.samp - c[:, None], axis=2).max(1)


class Box(Mesh):
    """half dimensions L = (lx, ly, lz); breaks: list of 3 arrays 0..L"""

    flat = True

    def __init__(self, L, breaks):
        self.L = np.asarray(L, float)
        o, A, B, nn, fa = [], [], [], [], []
        for f, (a, b) in enumerate([(1, 2), (0, 2), (0, 1)]):
            for i in range(len(breaks[a]) - 1):
                for j in range(len(breaks[b]) - 1):
                    c = np.zeros(3)
                    ea = np.zeros(3)
                    eb = np.zeros(3)
                    n = np.zeros(3)
                    c[f] = L[f]
                    n[f] = 1
                    c[a] = (breaks[a][i] + breaks[a][i + 1]) / 2
                    c[b] = (breaks[b][j] + breaks[b][j + 1]) / 2
                    ea[a] = (breaks[a][i + 1] - breaks[a][i]) / 2
                    eb[b] = (breaks[b][j + 1] - breaks[b][j]) / 2
                    o.append(c)
                    A.append(ea)
                    B.append(eb)
                    nn.append(n)
                    fa.append(f)
        self.o, self.A, self.B, self.nn = map(np.array, (o, A, B, nn))
        self.pface = np.array(fa)
        self.npan = len(o)
        self.finish()
        self.face = self.pface[self.pid]

    def geom(self, p, u, v):
        X = self.o[p] + u[:, None] * self.A[p] + v[:, None] * self.B[p]
        return X, self.nn[p], np.linalg.norm(self.A, axis=1)[p] * np.linalg.norm(self.B, axis=1)[p]


class Sphere(Mesh):
    flat = False

    def __init__(self, R, th, ph):
        self.R = R
        T, P = [], []
        for i in range(len(th) - 1):
            for j in range(len(ph) - 1):
                T.append((th[i], th[i + 1]))
                P.append((ph[j], ph[j + 1]))
        self.T, self.P = np.array(T), np.array(P)
        self.npan = len(T)
        self.finish()

    def geom(self, p, u, v):
        t = self.T[p].mean(1) + u * np.diff(self.T[p], axis=1)[:, 0] / 2
        f = self.P[p].mean(1) + v * np.diff(self.P[p], axis=1)[:, 0] / 2
        n = np.stack([np.sin(t) * np.cos(f), np.sin(t) * np.sin(f), np.cos(t)], 1)
        j = self.R**2 * np.sin(t) * np.diff(self.T[p], axis=1)[:, 0] * np.diff(self.P[p], axis=1)[:, 0] / 4
        return self.R * n, n, j


def near_corrections(mesh, T, level=14, near=1.2):
    """Static near/singular corrections of targets T (n,3) against the octant
    panels. Returns pairs (i, panel) and integrals (npairs, NQ*NQ) of
    K0 = d/(4 pi r^3), K1 = d/(8 pi r), S0 = 1/(4 pi r), S1 = -r/(8 pi)."""
    I, J = [], []
    for p in range(mesh.npan):
        c = np.where(np.linalg.norm(T - mesh.cen[p], axis=1) < (0.5 + near) * mesh.diam[p])[0]
        if len(c) == 0:
            continue
        d = np.linalg.norm(T[c][:, None] - mesh.samp[p][None], axis=2).min(1)
        keep = d < near * mesh.diam[p]
        if mesh.flat:
            keep &= np.abs((T[c] - mesh.o[p]) @ mesh.nn[p]) > 1e-9
        c = c[keep]
        I.append(c)
        J.append(np.full(len(c), p))
    if not I:
        z = np.zeros(0, int)
        return z, z, np.zeros((4, 0, NQ * NQ))
    I, J = np.concatenate(I), np.concatenate(J)
    out = np.zeros((4, len(I), NQ * NQ))
    g4, w4 = np.polynomial.legendre.leggauss(5)
    a, b = [q.ravel() for q in np.meshgrid(g4, g4, indexing="ij")]
    wab = np.outer(w4, w4).ravel()
    pr = np.arange(len(I))
    bx = np.tile([-1.0, 1, -1, 1], (len(I), 1))
    for lev in range(4 * level):
        if len(pr) == 0:
            break
        um, vm = bx[:, :2].mean(1), bx[:, 2:].mean(1)
        P = J[pr]
        c = mesh.geom(P, um, vm)[0]
        eu = np.linalg.norm(mesh.geom(P, bx[:, 1], vm)[0] - mesh.geom(P, bx[:, 0], vm)[0], axis=1)
        ev = np.linalg.norm(mesh.geom(P, um, bx[:, 3])[0] - mesh.geom(P, um, bx[:, 2])[0], axis=1)
        d = np.linalg.norm(T[I[pr]] - c, axis=1)
        big = np.maximum(eu, ev)
        ok = (big < 0.8 * d) | (big < 3e-4 * mesh.diam[P]) | (lev == 4 * level - 1)
        q = np.where(ok)[0]
        for s in range(0, len(q), 20000):
            qq = q[s : s + 20000]
            u = um[qq, None] + a * (bx[qq, 1] - bx[qq, 0])[:, None] / 2
            v = vm[qq, None] + b * (bx[qq, 3] - bx[qq, 2])[:, None] / 2
            wt = wab * ((bx[qq, 1] - bx[qq, 0]) * (bx[qq, 3] - bx[qq, 2]))[:, None] / 4
            Y, nr, jac = mesh.geom(np.repeat(P[qq], len(a)), u.ravel(), v.ravel())
            dx = np.repeat(T[I[pr[qq]]], len(a), 0) - Y
            r = np.sqrt((dx**2).sum(1))
            dn = (dx * nr).sum(1)
            r = np.maximum(r, 1e-12)
            L = (lag(u)[..., :, None] * lag(v)[..., None, :]).reshape(len(qq), len(a), NQ * NQ)
            wj = wt * jac.reshape(wt.shape)
            for m, ker in enumerate(
                (dn / (4 * np.pi * r**3), dn / (8 * np.pi * r), 1 / (4 * np.pi * r), -r / (8 * np.pi))
            ):
                np.add.at(out[m], pr[qq], np.einsum("pq,pqn->pn", wj * ker.reshape(wt.shape), L))
        q = ~ok
        pr, bq, eu, ev = pr[q], bx[q], eu[q], ev[q]
        su = eu >= ev
        b1, b2 = bq.copy(), bq.copy()
        mu, mv = bq[:, :2].mean(1), bq[:, 2:].mean(1)
        b1[su, 1] = mu[su]
        b2[su, 0] = mu[su]
        b1[~su, 3] = mv[~su]
        b2[~su, 2] = mv[~su]
        bx = np.concatenate([b1, b2])
        pr = np.concatenate([pr, pr])
    return I, J, out


class Targets:
    """Stored geometry of a target set against all 8 images of the octant."""

    def __init__(self, mesh, T, near=True, single=False):
        self.mesh, self.single, self.n = mesh, single, len(T)
        self.g = []
        for s in SIGNS:
            Ts = T * s
            dx = Ts[:, None, :] - mesh.X[None]
            r = np.sqrt((dx**2).sum(2))
            dn = (dx * mesh.n[None]).sum(2)
            if mesh.flat:
                dn[np.abs(dn) < 1e-9] = 0
            self_ = r < 1e-12
            rs = np.where(self_, 1, r)
            q = np.where(self_, 0, mesh.w * dn / (4 * np.pi * rs**3))
            rec = dict(r=r, q=q, self=self_)
            if near:
                I, J, c = near_corrections(mesh, Ts)
                ii = np.repeat(I, NQ * NQ)
                jj = (J[:, None] * NQ * NQ + np.arange(NQ * NQ)).ravel()
                c = c.reshape(4, -1)
                ri, sf, wj = r[ii, jj], self_[ii, jj], mesh.w[jj]
                rr = np.where(sf, 1, ri)
                rec.update(
                    ii=ii,
                    jj=jj,
                    c0=c[0] - q[ii, jj],
                    c1=c[1] - q[ii, jj] * ri**2 / 2,
                    s0=c[2] - np.where(sf, 0, wj / (4 * np.pi * rr)),
                    s1=c[3] + wj * ri / (8 * np.pi),
                )
            self.g.append(rec)

    def D(self, k, cols=None):
        """list of 8 complex (n, M[cols]) matrices"""
        out = []
        for rec in self.g:
            kr = k * (rec["r"] if cols is None else rec["r"][:, cols])
            q = rec["q"] if cols is None else rec["q"][:, cols]
            c, s = np.cos(kr), np.sin(kr)
            d = np.empty(kr.shape, complex)
            d.real = q * (c + kr * s)
            d.imag = q * (kr * c - s)
            if "ii" in rec:
                v = rec["c0"] + k * k * rec["c1"]
                if cols is None:
                    d[rec["ii"], rec["jj"]] += v
                else:
                    pos = -np.ones(self.mesh.M, int)
                    pos[np.arange(self.mesh.M)[cols]] = np.arange(d.shape[1])
                    m = pos[rec["jj"]] >= 0
                    d[rec["ii"][m], pos[rec["jj"][m]]] += v[m]
            out.append(d)
        return out

    def S(self, k):
        out = []
        for rec in self.g:
            rr = np.where(rec["self"], 1, rec["r"])
            d = self.mesh.w * np.exp(-1j * k * rr) / (4 * np.pi * rr)
            d = np.where(rec["self"], -1j * k / (4 * np.pi) * self.mesh.w, d)
            if "ii" in rec:
                d[rec["ii"], rec["jj"]] += rec["s0"] + k * k * rec["s1"]
            out.append(d)
        return out


def hadamard(mats):
    """sum_g CHI[a,g] mats[g] for every parity a (in place butterfly)"""
    m = list(mats)
    for bit in (1, 2, 4):
        for g in range(8):
            if not g & bit:
                a, b = m[g], m[g | bit]
                d = a - b
                a += b
                m[g], m[g | bit] = a, d
    return m


def to_par(full):
    """full (8, M, nd) values at SIGNS[g]*X -> parity amplitudes"""
    return np.einsum("ag,gmn->amn", CHI, full) / 8


def from_par(par):
    return np.einsum("ag,amn->gmn", CHI, par)


def solve(Dp, Cp, rhs, crhs, use_chief=True):
    """parity solve: (I/2 - D) p = rhs, -C p = crhs; rhs (8,M,nd)"""
    out = np.zeros_like(rhs)
    res = 0.0
    for a in range(8):
        if np.abs(rhs[a]).max() < 1e-12 * np.abs(rhs).max():
            continue
        A = -Dp[a]
        A[np.diag_indices_from(A)] += 0.5
        if use_chief:
            Cc = -Cp[a]
            w = 0.5
            H = zherk(1.0, A, trans=2, lower=1)
            H = zherk(w * w, Cc, beta=1.0, c=H, trans=2, lower=1, overwrite_c=1)
            y = A.conj().T @ rhs[a] + w * w * (Cc.conj().T @ crhs[a])
            out[a] = cho_solve(cho_factor(H, lower=True, overwrite_a=True, check_finite=False), y, check_finite=False)
        else:
            out[a] = lu_solve(lu_factor(A, overwrite_a=True, check_finite=False), rhs[a], check_finite=False)
    return out


def disc_G(k, x, z, cen, a, nth=512):
    """int_disc exp(-jkR)/(4 pi R) dS; x (n,2) lateral, z (n,) height.
    Radial integral exact, contour integral along the rim by the trapezoid rule."""
    th = (np.arange(nth) + 0.5) * 2 * np.pi / nth
    out = np.empty(len(x), complex)
    ct, st = a * np.cos(th), a * np.sin(th)
    for s in range(0, len(x), 4096):
        e = slice(s, s + 4096)
        qx = cen[0] + ct - x[e, 0:1]
        qy = cen[1] + st - x[e, 1:2]
        r2 = qx * qx + qy * qy
        zz = np.abs(z[e])[:, None]
        Rz = np.sqrt(r2 + zz * zz) + zz
        dl = r2 / Rz
        F = np.sinc(k * dl / (2 * np.pi)) / Rz * (qx * ct + qy * st)
        ph = k * (zz + dl / 2)
        out[e] = ((F * np.cos(ph)).sum(1) - 1j * (F * np.sin(ph)).sum(1)) * (2 * np.pi / nth) / (4 * np.pi)
    return out
