"""Looking back: batches, chanters, and the bench's own reading error, as the log has them now."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from trimfit.base.errors import InputError
from trimfit.cli.reviews import batch_json, chanter_json
from trimfit.review.results import NOTES_WORDS, ChanterMap
from trimfit.session.session import Session
from trimfit.verbs.reviews import batches as batch_reviews
from trimfit.verbs.reviews import chanters as chanter_reviews
from trimfit.verbs.reviews import report
from trimfit.verbs.reviews.owner_answers import Narrowing, owners_answers
from trimfit.web.replies import desk_of, page, wants_json


async def batches(request: Request) -> Response:
    """The batches, most drifted first; as JSON what `review batches --json` prints."""
    found = await desk_of(request).review(batch_reviews.batches)
    return page(request, "batches.html", [batch_json(one) for one in found], {"batches": found})


async def chanters(request: Request) -> Response:
    """The chanters, each with its sheet; as JSON what `review chanters --json` prints."""
    found, ask_owner = await desk_of(request).review(_chanters)
    context = {"chanters": [chanter_json(one, ask_owner) for one in found], "found": found, "notes_words": NOTES_WORDS}
    return page(request, "chanters.html", context["chanters"], context)


def _chanters(session: Session) -> tuple[list[ChanterMap], dict[str, list[Narrowing]]]:
    found = chanter_reviews.chanters(session)
    return found, owners_answers(session, found)


async def chanter_sheet(request: Request) -> Response:
    """One chanter's sheet as PNG (A6), drawn anew."""
    name = request.query_params.get("name", "")
    return Response(await desk_of(request).review(chanter_reviews.sheet_picture, name), media_type="image/png")


async def repeatability(request: Request) -> Response:
    """The reading error by note; as JSON what `review repeatability --json` prints."""
    try:
        found, missing = await desk_of(request).review(report.repeatability), ""
    except InputError as error:
        if wants_json(request):
            raise
        found, missing = [], f"{error.what}; {error.remedy}"
    return page(request, "repeatability.html", found, {"outputs": found, "missing": missing})
