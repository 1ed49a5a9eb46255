import numpy as np
from scipy.special import jn_zeros

z = jn_zeros(0, 4000)
w = 4 / z**2
lam = z**2
tau = np.logspace(-6, 0.5, 200)
exact = 1 - (w[:, None] * np.exp(-lam[:, None] * tau)).sum(0)
print(w.sum())


def test(groups):
    W = []
    L = []
    for a, b in groups:
        ww = w[a:b].sum()
        W.append(ww)
        L.append(ww / (w[a:b] / lam[a:b]).sum())
    W = np.array(W)
    L = np.array(L)
    m = 1 - W.sum() + (W[:, None] * (1 - np.exp(-L[:, None] * tau))).sum(0)
    e = m - exact
    return W, L, e


for g in (
    [(0, 1), (1, 2), (2, 4), (4, 8), (8, 16), (16, 32)],
    [(0, 1), (1, 2), (2, 3), (3, 5), (5, 9), (9, 18), (18, 60)],
    [(0, 1), (1, 2), (2, 4), (4, 9), (9, 30)],
    [(0, 1), (1, 2), (2, 4), (4, 9), (9, 30), (30, 200)],
    [(0, 1), (1, 2), (2, 3), (3, 6), (6, 14), (14, 60)],
):
    W, L, e = test(g)
    print(
        len(g), "g0", 1 - W.sum(), "max err", abs(e[tau > 1e-3]).max(), abs(e[tau > 1e-4]).max(), abs(e).max()
    )
