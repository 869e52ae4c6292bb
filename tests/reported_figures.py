"""The figures of README.md and of the pages in reports/, taken from the reports that they cite.

Each claim is a sentence (or a row) made from a report's own table. A page that cites a report must hold the claim as it
comes out of the report now; `python -m tests.test_readme` writes it anew where a report has changed.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

from scipy.stats import poisson

REPORTS = Path(__file__).parents[1] / "reports"
FIGURE = re.compile(r"(?<![\w.])\d[\d,]*(?:\.\d+)?")
Row = dict[str, str]


def rows_of(report: str, *columns: str) -> list[Row]:
    """The rows of the first table in `reports/<report>.md` that has columns of these names."""
    heads: list[str] = []
    rows: list[Row] = []
    for line in (REPORTS / f"{report}.md").read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")] if line.startswith("|") else []
        if not cells:
            if set(columns) <= set(heads):
                return rows
            heads, rows = [], []
        elif not heads:
            heads = cells
        elif set(line) - set("|-: "):
            rows.append(dict(zip(heads, cells, strict=True)))
    assert set(columns) <= set(heads), f"reports/{report}.md has no table with {columns}"
    return rows


def by_luck(stated: float, happened: float) -> str:
    """How often so few, or so many, happen where stated chances that add up to `stated` are right (Poisson)."""
    many = happened > stated
    chance = float(poisson.sf(round(happened) - 1, stated) if many else poisson.cdf(round(happened), stated))
    return (
        f"so {'many' if many else 'few'} in {100 * chance:.{1 if chance < 0.1 else 0}f} % of such runs, were they right"
    )


def _spread(who: str, column: str) -> str:
    """The mean over the benches of runs played out, and in brackets the least and the most."""
    found = [float(row[column].split()[0]) for row in rows_of("playing", "who") if row["who"] == who]
    return f"{sum(found) / len(found):.1f} ({min(found):.1f} to {max(found):.1f})"


def _played(who: str) -> str:
    return " | ".join(_spread(who, column) for column in ("cuts", "readings", "past %", "within %"))


def _sample() -> str:
    text = (REPORTS / "playing.md").read_text(encoding="utf-8")
    new = re.search(r": ([\d,]+) new reeds", text)
    past = re.search(r"from ([\d,]+) past reeds", text)
    assert new is not None
    assert past is not None
    errors = [
        [float(row[column].split("± ")[1]) for row in rows_of("playing", "who") if row["who"] == who]
        for who in ("trimfit", "careful hand")
        for column in ("past %", "within %")
    ]
    of_means = max(sum(one**2 for one in each) ** 0.5 / len(each) for each in errors)
    benches = {5: "five", 6: "six", 7: "seven"}[len({row["bench"] for row in rows_of("playing", "who")})]
    return (
        f"on {benches} make-believe benches whose physics is not the fitted model ("
        f"[{new[1]} new reeds on each, after {past[1]} logged ones](reports/playing.md); standard "
        f"errors of means at most {of_means:.1f} points, of one bench {max(map(max, errors)):.1f}; past in "
        f"the worst shop "
        f"{_worst('trimfit')} %, the careful hand {_worst('careful hand')} %"
    )


def _careful_share() -> str:
    said = re.search(
        r"the careful hand takes (\d+) % of the need", (REPORTS / "playing.md").read_text(encoding="utf-8")
    )
    assert said is not None
    return said[1]


def _worst(who: str) -> str:
    return f"{max(float(row['worst shop, past %']) for row in rows_of('playing', 'who') if row['who'] == who):.1f}"


def _moves(row: Row) -> bool:
    """Whether a row's reeds move from one visit to the next: with no day between, or on the still bench, none does."""
    return row["movement"] != "still" and row["days between"] != "0"


def _visits() -> str:
    """Reeds that move between visits, over the ways of moving: least and most of each figure."""
    rows = [row for row in rows_of("visits", "days between", "past in all %") if _moves(row)]
    ways, days = list(dict.fromkeys(row["movement"] for row in rows)), {int(row["days between"]) for row in rows}

    def each(who: str, column: str) -> list[float]:
        """One figure for each way of moving, each reed counted alike."""
        of = [[row for row in rows if (row["movement"], row["who"]) == (way, who)] for way in ways]
        reeds = [sum(int(row["reeds"]) for row in part) for part in of]
        assert len(set(reeds)) == 1
        return [sum(float(row[column].split()[0]) * int(row["reeds"]) for row in part) / reeds[0] for part in of]

    def over(who: str, column: str, digits: int) -> str:
        found = each(who, column)
        return f"{min(found):.{digits}f} to {max(found):.{digits}f}"

    def of(who: str, word: str) -> str:
        return f"{over(who, 'cuts', 1)} {word} {over(who, 'past in all %', 0)} %"

    reeds = sum(int(row["reeds"]) for row in rows if (row["movement"], row["who"]) == (ways[0], "trimfit"))
    return (
        f"[Of reeds that move](reports/visits.md) in the {min(days)} to {max(days)} days between visits ({reeds} for "
        f"each of {len(ways)} ways of moving) trimfit needs {of('trimfit', 'cuts a reed, and')} "
        f"end past (cut or moved), with the careful hand {of('careful hand', 'and')}; worst {_worst_visits()}."
    )


def _worst_visits() -> str:
    """The way of moving and the days between visits with most of trimfit's reeds past, and the careful hand there."""
    rows = {(row["movement"], row["days between"], row["who"]): row for row in rows_of("visits", "days between")}
    past = {key: float(row["past in all %"].split()[0]) for key, row in rows.items()}
    movement, days, _ = max((key for key in rows if key[2] == "trimfit"), key=lambda key: past[key])
    here = [(movement, days, who) for who in ("trimfit", "careful hand")]
    ours, theirs = (past[key] for key in here)
    left = " and ".join(rows[key]["unfinished %"] for key in here)
    (of,) = {rows[key]["reeds"] for key in here}
    return f"with {movement} and {days} days, {ours:.0f} and {theirs:.0f} % of {of} ({left} % unfinished)"


def _growth() -> str:
    """Means with their standard errors over the shops, and what they rest on."""
    text = (REPORTS / "growth.md").read_text(encoding="utf-8")
    made = re.search(r"tests.worlds.growth \d+ \d+`: (\d+) shops of each of (\d+) benches, (\d+) new reeds", text)
    assert made is not None
    rows = {row["past reeds"]: row for row in rows_of("growth", "past reeds")}

    cut = {reeds: f"{row['first cut, % of the need']} %" for reeds, row in rows.items()}
    cuts = {reeds: row["cuts a reed"] for reeds, row in rows.items()}
    past = {reeds: row["past %"].split()[0] for reeds, row in rows.items()}
    (of,) = {row["past %"].rstrip(")").split()[-1] for row in rows.values()}
    return (
        f"in the mean of {made[1]} shops of each of [these {made[2]} benches](reports/growth.md), {made[3]} new "
        f"reeds in each (± the standard error over the shops; first cuts: of the median reed): without a log "
        f"the first cut takes {cut['0']} of the need, after 10 logged reeds {cut['10']}, after 50 {cut['50']}, "
        f"after 300 {cut['300']}; the careful hand takes {cut['careful hand']}. A reed then needs {cuts['0']}, "
        f"{cuts['10']}, {cuts['50']} and {cuts['300']} cuts, with the careful hand {cuts['careful hand']}; "
        f"{past['0']}, {past['10']}, {past['50']} and {past['300']} % end past, "
        f"with the careful hand {past['careful hand']} % (of {of} each)."
    )


def _lain() -> str:
    """The least and the most held after a month, and by type the least of the gap then, and of all times."""
    rows = rows_of("staying", "gap coverage %")
    month = [row for row in rows if row["idle days"] == "30" and row["movement"] != "still"]

    def held(what: str) -> str:
        found = [float(row[f"{what} coverage %"].split()[0]) for row in month]
        return f"{min(found):.1f} to {max(found):.1f} %"

    types = [
        (row[head], row, head.replace(", ", " of "))
        for row in rows_of("staying", "gap, cane")
        for head in row
        if ", " in head
    ]

    def least(of: list[tuple[str, Row, str]]) -> str:
        share, row, what = min(of, key=lambda one: float(one[0].split()[0]))
        return f"the {what} on the {row['movement']} bench after {row['idle days']} days, {share} %"

    return (
        f"after a month's rest {held('gap')} of the gap readings and {held('crow')} of the crow readings lay inside "
        f"the 90 % interval; least by type was then of {least([one for one in types if one[1]['idle days'] == '30'])}, "
        f"and of all times of {least(types)}"
    )


def _gaps_held() -> str:
    """Of the next gap readings, the least and the most on a bench that lay inside the 90 % interval."""
    held = [float(row["gap"].split()[0]) for row in rows_of("foretelling", "crow")]
    return f"{min(held):.1f} to {max(held):.1f} %"


def _read_at_once() -> str:
    """Of reeds read again at once where none moves, how many gaps lay inside, and how far that is under 90 %."""
    ((held, readings),) = {
        (row["gap coverage %"], int(row["readings"]))
        for row in rows_of("staying", "gap coverage %")
        if (row["movement"], row["idle days"]) == ("still", "0")
    }
    share = round(float(held.split(" ± ")[0]) * readings / 100.0) / readings
    sds_under = (0.9 - share) / (share * (1.0 - share) / readings) ** 0.5
    return (
        f"of reeds read again at once on the bench where none moves {held} % did, {sds_under:.1f} standard "
        "errors under 90 ([staying](staying.md))"
    )


def _waited() -> str:
    rows = rows_of("staleness", "worst shop, followed over fresh")
    made = re.search(
        r": (\d+) shops on each of (\d+) make-believe", (REPORTS / "staleness.md").read_text(encoding="utf-8")
    )
    assert made is not None
    either_way = max(abs(float(row["followed over fresh"]) - 1.0) for row in rows)
    worst = {row["readings in the fit"]: float(row["worst shop, followed over fresh"]) for row in rows}
    later = max(value for held, value in worst.items() if held != "25")
    return (
        f"predicted gaps of new batches are, over all shops together, off by as much as just after it, to "
        f"{math.ceil(100 * either_way)} %; in the worst of {int(made[1]) * int(made[2])} shops by "
        f"{100 * (later - 1):.0f} % more from a hundred readings on, by {100 * (worst['25'] - 1):.0f} % at 25"
    )


def _stated() -> str:
    """What was stated for trimfit's cuts and what happened: of reeds that move between visits, and of all others."""
    rows = [row for row in rows_of("visits", "days between", "stated %") if row["who"] == "trimfit"]
    what = "or left short and past by the next visit %"

    def added_up(moved: bool) -> tuple[str, float, float]:
        of = [row for row in rows if _moves(row) == moved]
        cuts = [int(row["cuts"]) for row in of]
        stated = sum(n * float(row["stated %"]) / 100 for n, row in zip(cuts, of, strict=True))
        happened = sum(round(n * float(row[what].split()[0]) / 100) for n, row in zip(cuts, of, strict=True))
        return f"{sum(cuts):,}", stated, happened

    (moving, stated, happened), (still, still_stated, still_happened) = added_up(True), added_up(False)
    played = [row for report in ("playing", "orders") for row in rows_of(report, "stated chance", "went past")]
    in_runs = [int(row["cuts"]) for row in played]
    runs_stated = sum(n * float(row["mean stated"].split()[0]) / 100 for n, row in zip(in_runs, played, strict=True))
    runs_happened = sum(int(row["went past"]) for row in played)
    return (
        f"the chances stated for {moving} cuts of reeds that move between visits added up to {stated:.1f} that end "
        f"past, or short and past by the next visit, and {happened:.0f} ± {happened**0.5:.0f} did; for {still} cuts of "
        f"reeds that do not, to {still_stated:.1f}, and {still_happened:.0f} ± {still_happened**0.5:.0f} did "
        f"({by_luck(still_stated, still_happened)}). For "
        f"{sum(in_runs):,} cuts of still reeds in [runs](playing.md) and [orders](orders.md) played to their end they "
        f"added up to {runs_stated:.0f}, and {runs_happened} ± {runs_happened**0.5:.0f} did "
        f"({by_luck(runs_stated, runs_happened)})."
    )


def _young() -> str:
    past = {row["past reeds"]: row["past %"].replace(" (", " % (") for row in rows_of("growth", "past reeds")}
    return (
        f"With ten logged reeds {past['10']} end past on make-believe benches, where the ceiling is 1 %, and with "
        f"fifty {past['50']}"
    )


def claims() -> dict[str, list[str]]:
    """Page -> what it must say, as the reports have it now."""
    return {
        "README.md": [
            _sample(),
            f"| trimfit | {_played('trimfit')} |",
            f"| a careful hand: {_careful_share()} % of the need each time | {_played('careful hand')} |",
            _visits(),
            _growth(),
            f"(of gaps {_gaps_held()} inside)",
        ],
        "reports/model.md": [
            _lain(),
            f"on make-believe benches {_gaps_held()} of the next gap readings lay inside the 90 % interval",
            _read_at_once(),
            _waited(),
            _young(),
            _stated(),
        ],
    }


def _pattern(claim: str) -> re.Pattern[str]:
    """The claim with any figures in the place of its own, however its lines are folded."""
    words = [re.escape(FIGURE.sub("\0", word)).replace("\0", FIGURE.pattern) for word in claim.split()]
    return re.compile(r"\s+".join(words))


def written_anew(page: str, text: str) -> str:
    """The page's text with each claim as the reports have it now."""
    for claim in claims().get(page, []):
        stands = _pattern(claim).findall(text)
        assert len(stands) == 1, f"{page} says {len(stands)} times: {claim}"
        if stands[0].split() != claim.split():
            text = text.replace(stands[0], claim)
    return text


def uncited(page: str, text: str) -> list[str]:
    """Paragraphs that cite a report and hold a figure which no claim has taken from it."""
    text = re.sub(r"^```.*?^```$", "", text, flags=re.M | re.S)
    for claim in claims().get(page, []):
        text = _pattern(claim).sub("", text)
    measured = [
        path.name for path in REPORTS.glob("*.md") if "\nMade by `python -m" in path.read_text(encoding="utf-8")
    ]
    cited = re.compile(rf"\]\((?:reports/)?(?:{'|'.join(measured)})\)")
    cites = [paragraph for paragraph in re.split(r"\n(?:\n|(?=- ))", text) if cited.search(paragraph)]
    own = re.compile(r"`[^`]*`|\]\([^)]*\)|90 % interval")
    return [paragraph for paragraph in cites if FIGURE.search(own.sub("", paragraph))]
