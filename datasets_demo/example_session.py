"""An example session with trimfit from Python, step by step, on the invented demo shop.

    python datasets_demo/example_session.py [LOG]

Without LOG, a log is made in a temporary folder.
"""

# A log with the demo shop in it. Importing the same folder again adds nothing.
import sys
import tempfile
from pathlib import Path

import pandas as pd
from sklearn.model_selection import LeaveOneGroupOut, cross_val_score

import trimfit

SHOP = Path(__file__).parent / "shop"
if len(sys.argv) > 1:
    log_file = Path(sys.argv[1])
else:
    log_file = Path(tempfile.mkdtemp()) / "example.trimfit"
log = trimfit.open_log(log_file, create=True)
counts = log.import_folder(SHOP)
print(f"{counts.new:,} entries new, {counts.known:,} known")

# How much more to take off: one reed, in words and in numbers.
work = log.work()
reed = work.loc[work["action"] == "trim", "reed"].iloc[0]
advice = log.ask(reed)
print(f"{reed}: {advice.action} {advice.length_mm:.2f} mm; {advice.why}")
print(f"chance of going past {100 * advice.chance_past:.1f} %, cuts left {advice.trims_left:.1f}")

# The whole run as a frame: what is left to do, order by order.
print(work.groupby(["order", "action"])["trims_left"].agg(["size", "sum"]).round(1))

# What if? A row for each plan, the next reading as predicted; nine times in ten it lies between low and high.
plan = pd.DataFrame({"reed": [reed] * 4, "length_mm": [0.0, 0.1, 0.2, 0.3]})
predicted = log.predict(plan)
print(plan.join(predicted[["low_gap_cents", "gap_cents", "high_gap_cents", "crow_hz"]].round(1)))

# A reading and a cut logged from frames with the columns of the CSV folder.
taken = pd.DataFrame({"reed": [reed], "done_at": ["2026-09-19T09:30:00"], "length_mm": [advice.length_mm]})
counts = log.add(trims=taken)
print(f"{counts.new} new; now {log.ask(reed).action}")

# The estimator behind it, on a few batches: fitted, asked, and scored on batches it has not seen.
frame = log.frame()
few = frame[frame["batch"].isin(["B-03", "B-09"])]
model = trimfit.ReedResponse().fit(few)
print(model.predict(few.tail(3), return_std=True)[["gap_cents", "gap_std_cents", "crow_cents"]].round(1))
scores = cross_val_score(trimfit.ReedResponse(), few, groups=few["batch"], cv=LeaveOneGroupOut())
print(f"gap of a batch never seen, predicted without any reading of it: {-scores.mean():.1f} cents off in the mean")

# Batches, most drifted first.
print(log.batches().loc[lambda b: b["drifted"], ["batch", "reed_type", "chance_drifted", "why"]].to_string(index=False))
