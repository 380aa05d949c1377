"""What the rows of the benchmark ``truth`` come to: losses by number of shots, and claims against the truth."""

from __future__ import annotations

import numpy as np
import pandas as pd

BANDS = {"3-5": (0, 5), "6-9": (6, 9), "10-14": (10, 14), "15+": (15, 10_000), "all": (0, 10_000)}
METHODS = ("ours", "joint process", "quadratic", "own process", "best shot", "one recipe", "usual")
SURE, ASKED = 0.8, 0.8


def told(rows: pd.DataFrame) -> str:
    """All tables of some rows, as text."""
    own = rows[~rows["handover"]]
    parts = [losses(own), calibration(own, "ours", ""), statuses(own)]
    if "joint claimed" in own:
        parts.append(calibration(own, "joint process", "joint "))
    if rows["handover"].any():
        parts.append(calibration(rows[rows["handover"]], "handover, its coffee left out", ""))
    return "\n\n".join(parts)


def over_benches(values: pd.Series, bench: pd.Series) -> tuple[float, float]:
    """Mean of all rows, and its standard error from whole benches: rows of one bench are alike."""
    held = values.notna()
    values, bench = values[held], bench[held]
    mean = float(values.mean())
    sums = (values - mean).groupby(bench).sum()
    if len(sums) < 2:
        return mean, np.nan
    return mean, float(np.sqrt((sums**2).sum() * len(sums) / (len(sums) - 1)) / len(values))


def losses(rows: pd.DataFrame) -> str:
    """Mean loss by method and number of shots, and its share of the loss of the best shot seen."""
    bench = rows["world"] + rows["bench"].astype(str)
    lines = [f"{'loss of expected score':24}" + "".join(f"{band:>17}" for band in BANDS) + f"{'of best shot':>16}"]
    bands = {name: rows["shots"].between(*ends) for name, ends in BANDS.items()}
    lines.append(f"{'  setups':24}" + "".join(f"{int(held.sum()):>17}" for held in bands.values()))
    for method in METHODS:
        if f"loss {method}" not in rows:
            continue
        cells = []
        for held in bands.values():
            mean, error = (
                over_benches(rows.loc[held, f"loss {method}"], bench[held]) if held.any() else (np.nan, np.nan)
            )
            cells.append(f"{mean:9.3f} +-{error:6.3f}")
        ratio = rows[f"loss {method}"].mean() / rows["loss best shot"].mean()
        lines.append(f"{method:24}" + "".join(cells) + f"{ratio:>12.3f} {_ratio_error(rows, method, bench)}")
    inside = (rows["best_own"] - rows["value ours"]).dropna()
    lines.append(f"ours against the best within the setup's own tasted shots: {inside.mean():.3f}")
    return "\n".join(lines)


def _ratio_error(rows: pd.DataFrame, method: str, bench: pd.Series) -> str:
    """Standard error of the ratio of two mean losses, over benches (linearised)."""
    ours, best = rows[f"loss {method}"], rows["loss best shot"]
    left = (ours - ours.mean() / best.mean() * best) / best.mean()
    sums = left.groupby(bench).sum()
    if len(sums) < 2:
        return ""
    return f"+- {np.sqrt((sums**2).sum() * len(sums) / (len(sums) - 1)) / len(rows):.3f}"


def calibration(rows: pd.DataFrame, name: str, prefix: str) -> str:
    """Claimed chance against the true one: in fifths of the claims, sure ones, Brier score, cover of the intervals."""
    rows = rows.dropna(subset=[f"{prefix}claimed"]) if f"{prefix}claimed" in rows else rows.iloc[:0]
    if rows.empty:
        return f"chances, {name}: none claimed"
    bench = rows["world"] + rows["bench"].astype(str)
    claimed, true = rows[f"{prefix}claimed"].astype(float), rows[f"{prefix}true"].astype(float)
    lines = [f"chances, {name}", f"{'  claimed':14}{'setups':>8}{'claimed':>10}{'true':>8}{'claimed - true':>22}"]
    fifth = np.minimum((claimed * 5).astype(int), 4)
    groups = {f"{n / 5:.1f}-{(n + 1) / 5:.1f}": fifth == n for n in range(5)}
    groups |= {f">= {SURE}": claimed >= SURE, "all": claimed >= 0}
    for label, held in groups.items():
        if held.any():
            gap, error = over_benches(claimed[held] - true[held], bench[held])
            means = f"{claimed[held].mean():>10.3f}{true[held].mean():>8.3f}"
            lines.append(f"  {label:12}{int(held.sum()):>8}{means}{gap:>13.3f} +-{error:6.3f}")
    score = float(np.mean(true * (1 - true) + (claimed - true) ** 2))
    constant = float(true.mean() * (1 - true.mean()))
    known = float(np.mean(true * (1 - true)))
    better = 100 * (1 - score / constant) if constant else np.nan
    lines.append(
        f"  Brier {score:.4f}, best constant {constant:.4f} ({better:.0f} % better), the truth itself {known:.4f}"
    )
    ends = rows[[f"{prefix}lower", f"{prefix}upper", f"{prefix}liking"]].astype(float).dropna()
    if len(ends):
        low, high, liking = ends.to_numpy().T
        held = pd.Series((low <= liking) & (liking <= high), ends.index).astype(float)
        cover, error = over_benches(held, bench[ends.index])
        lines.append(
            f"  90 % intervals cover {100 * cover:.1f} +- {100 * error:.1f} %"
            f" (below {100 * np.mean(liking < low):.1f}, above {100 * np.mean(liking > high):.1f}),"
            f" width {np.mean(high - low):.2f}"
        )
    return "\n".join(lines)


def statuses(rows: pd.DataFrame) -> str:
    """Shares of setups with an aim and with a window, and windows that are none."""
    window = rows["status"].isin(["window", "confirmed"])
    count, aims = len(rows), rows.get("claimed", pd.Series(np.nan, rows.index)).notna()
    lines = [f"aim for {100 * aims.mean():.1f} % of {count} setups, window for {100 * window.mean():.1f} %"]
    lines.append("status: " + ", ".join(f"{name} {n}" for name, n in rows["status"].value_counts().items()))
    if window.any():
        below = [f"< {limit}: {100 * (rows.loc[window, 'true'] < limit).mean():.1f} %" for limit in (0.5, ASKED)]
        lines.append(f"windows whose true chance is {', '.join(below)} (of {int(window.sum())})")
    sure = (rows["best_chance"] >= 0.9) & (rows["shots"] >= 12)
    if sure.any():
        share, error = over_benches(window[sure].astype(float), rows.loc[sure, "bench"])
        lines.append(
            f"best chance >= 0.9 and 12+ shots: window for {100 * share:.0f} +- {100 * error:.0f} % of {sure.sum()}"
        )
    if "outside" in rows:
        lines.append(f"aims outside the support: {100 * rows['outside'].eq(True).mean():.1f} %")
    return "\n".join(lines)
