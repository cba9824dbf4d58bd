"""Golden values for learning, worked out without any of the project's code: numpy and scipy only.

Writes tests/data/learn/golden.json. Beta quantiles by scipy.stats; posteriors of a published Beta-binomial example by the same; noisy-OR counts by summing over every hidden
configuration of a small network; a few rounds of penalised expectation-maximisation on made-up cases.
"""
import itertools, json
import numpy as np
from scipy import stats

beta = [[a, b, p, float(stats.beta.ppf(p, a, b))] for a, b, p in [
    (0.3, 24.7, 0.05), (0.3, 24.7, 0.95), (1, 1, 0.05), (14, 230, 0.95), (190.5, 12.25, 0.05), (2000, 3000, 0.5)]]

# Girls among births with placenta previa, 437 of 980, under a prior of mean 0.485 that counts for so many births: the example
# of Gelman, Carlin, Stern, Dunson, Vehtari and Rubin, Bayesian Data Analysis, 3rd edition 2013, section 2.4. Data from memory;
# its table of medians and 95 % intervals (0.446, 0.415 to 0.477 at a weight of 2 up to 0.453, 0.424 to 0.481 at 200; also
# from memory) agrees with what scipy gives here to the three digits printed, and the test is held against scipy's.
births = {"wins": 437, "trials": 980, "mean": 0.485, "rows": []}
for weight in (2, 5, 10, 20, 100, 200):
    a = weight * births["mean"] + births["wins"]
    b = weight + births["trials"] - a
    births["rows"].append([weight, float(stats.beta.mean(a, b))]
                          + [float(stats.beta.ppf(p, a, b)) for p in (0.025, 0.05, 0.5, 0.95, 0.975)])

# Faults a, b -> hidden condition h -> checks x, y; a also acts on x itself. Strengths: a>h, b>h, h>x, a>x, h>y; leaks x, y.
w0 = np.array([0.7, 0.4, 0.8, 0.3, 0.6, 0.05, 0.02])

def noisy(parts, state):
    """P(node = state, which of the parts did their bit): list of (probability, bits)."""
    for bits in itertools.product([0, 1], repeat=len(parts)):
        if int(any(bits)) == state:
            yield float(np.prod([p if b else 1 - p for p, b in zip(parts, bits)])), bits

def counts(w, faults, x, y):
    """Log likelihood, trials and successes of the seven causes, by enumeration of every cause's own draw."""
    a, b = faults
    total, trials, wins = 0.0, np.zeros(7), np.zeros(7)
    on_h = [i for i, f in ((0, a), (1, b)) if f]
    for h in (0, 1):
        for ph, bh in noisy([w[i] for i in on_h], h):
            on_x = ([2] if h else []) + ([3] if a else []) + [5]
            on_y = ([4] if h else []) + [6]
            for px, bx in noisy([w[i] for i in on_x], x):
                for py, by in noisy([w[i] for i in on_y], y):
                    weight = ph * px * py
                    total += weight
                    for ids, bits in ((on_h, bh), (on_x, bx), (on_y, by)):
                        for i, bit in zip(ids, bits):
                            trials[i] += weight
                            wins[i] += weight * bit
    return np.log(total), trials / total, wins / total

cases = [((1, 0), 1, 1, 14), ((1, 0), 1, 0, 9), ((1, 0), 0, 0, 6), ((0, 1), 1, 1, 4), ((0, 1), 0, 0, 11),
         ((0, 1), 0, 1, 2), ((1, 1), 1, 1, 3), ((0, 0), 1, 0, 2), ((0, 0), 0, 0, 20)]
weight, w, climb = 20.0, w0.copy(), []
first = None
for _ in range(6):
    like, t, s = 0.0, np.zeros(7), np.zeros(7)
    for faults, x, y, n in cases:
        l, ti, si = counts(w, faults, x, y)
        like, t, s = like + n * l, t + n * ti, s + n * si
    if first is None:
        first = {"trials": t.tolist(), "wins": s.tolist(), "log_likelihood": like}
    climb.append(like + weight * float(np.sum(w0 * np.log(w) + (1 - w0) * np.log(1 - w))))
    w = (weight * w0 + s) / (weight + t)

json.dump({"beta": beta, "births": births, "strengths": w0.tolist(), "cases": cases, "weight": weight, "first": first,
           "climb": climb, "after_six": w.tolist()}, open("tests/data/learn/golden.json", "w"), indent=1)
