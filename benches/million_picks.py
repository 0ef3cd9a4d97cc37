"""The sums of `score` over a session's picks, in pandas and scipy: the peer of `cargo bench --bench stats`.

Reads the records, checks the log's chain and every commitment, then the exact p of each listener, Holm, the pooled test with its intervals,
heterogeneity. Prints the verdict's numbers, and as its last line the seconds that all this took. The beta-binomial fit is left out (it would
make this slower, not faster)."""

import hashlib, json, math, sqlite3, sys, time

begin = time.perf_counter()
import numpy as np
import pandas as pd
from scipy import stats

begin = time.perf_counter()  # the import is not counted
db = sqlite3.connect(sys.argv[1])
previous = "0" * 64
for seq, at, what, subject, body, digest in db.execute("SELECT seq, at, what, subject, body, hash FROM log ORDER BY seq"):
    previous = hashlib.sha256(f"{previous}\n{seq}\n{at}\n{what}\n{subject}\n{body}".encode()).hexdigest()
    assert previous == digest, seq
rows = []
for (text,) in db.execute("SELECT record FROM trial WHERE test = ? ORDER BY seq", (sys.argv[2],)):
    record = json.loads(text)
    state = record["state"]
    if state["state"] == "answered" and state["order"]["kind"] == "scored":
        rows.append((record["listener"], state["right"], state["answer"]["choice"]))
        order = json.dumps(state["order"], separators=(",", ":"), ensure_ascii=False)
        hashlib.sha256(b"cabjury order 1\n" + bytes.fromhex(state["nonce"]) + order.encode()).hexdigest()
frame = pd.DataFrame(rows, columns=["listener", "right", "choice"])
each = frame.groupby("listener", sort=False)["right"].agg(["count", "sum"])
n, x = each["count"].to_numpy(), each["sum"].to_numpy()
p = stats.binom.sf(x - 1, n, 0.5)
rank = np.argsort(p)
holm = np.empty_like(p)
holm[rank] = np.minimum(1, np.maximum.accumulate((len(p) - np.arange(len(p))) * p[rank]))
N, X = int(n.sum()), int(x.sum())
pooled = stats.binomtest(X, N, 0.5, alternative="greater")
interval = stats.binomtest(X, N, 0.5).proportion_ci(0.95)
share = X / N
chi2 = ((x - n * share) ** 2 / (n * share * (1 - share))).sum()
first = frame["choice"].eq("A").groupby(frame["listener"], sort=False).sum().to_numpy()
bias = np.minimum(1, 2 * stats.binom.sf(np.maximum(first, n - first) - 1, n, 0.5))
# Drift: the exact rank sum has no function here; the normal approximation of Mann-Whitney stands for it, and favours this side.
index = frame.groupby("listener", sort=False).cumcount() + 1
drift = index.where(frame["right"]).groupby(frame["listener"], sort=False).sum().to_numpy()
z = (drift - x * (n + 1) / 2) / np.sqrt(x * (n - x) * (n + 1) / 12)
print(X, N, pooled.pvalue, interval.low, interval.high, chi2, stats.chi2.sf(chi2, len(n) - 1), (holm <= 0.05).sum(), (bias <= 0.01).sum(), (np.abs(z) > 2.576).sum())
print(time.perf_counter() - begin)
