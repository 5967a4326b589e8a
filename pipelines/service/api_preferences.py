"""Routes of preferences: list, save, remove."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Response

from gridfit.preferences import Head, compose
from gridfit.recovery import PREFERENCES
from pipelines.service.preferences import Saved, built_in
from pipelines.service.preferenceshapes import PreferenceIn, PreferenceList, PreferenceOut
from pipelines.service.problems import documented, refusal
from pipelines.service.shapes import PreferenceName
from pipelines.service.shelf import PAGE, Cursor, IfMatch, Limit, Parts, from_cursor, matched, to_cursor

router = APIRouter(prefix="/api/preferences", tags=["preferences"], responses=documented())

ETAG = {"headers": {"ETag": {"description": "Version, for If-Match", "schema": {"type": "string"}}}}
TAGGED: dict[int | str, dict[str, Any]] = {200: ETAG}
MADE: dict[int | str, dict[str, Any]] = {
    200: {**ETAG, "description": "It was there, and is changed"},
    201: {**ETAG, "model": PreferenceOut, "description": "It is new"},
}

Name = Annotated[PreferenceName, Path(description="Name of the preference", examples=["wet"])]


def preference_out(saved: Saved) -> dict[str, Any]:
    """Return a preference as the API shows it."""
    names = ("name", "built_in", "version", "etag", "created", "changed")
    return {**{name: getattr(saved, name) for name in names}, "weights": saved.weights.weights()}


@router.get("", response_model=PreferenceList)
def list_preferences(parts: Parts, cursor: Cursor = None, limit: Limit = PAGE) -> dict[str, Any]:
    """List the saved preferences, in the order of making, and those that come with gridfit."""
    found = parts.garage.preferences.saved(from_cursor(cursor) or 0, limit + 1)
    following = to_cursor(found[limit - 1].seq) if len(found) > limit else None
    return {
        "built_in": [preference_out(one) for one in built_in()],
        "items": [preference_out(one) for one in found[:limit]],
        "next": following,
    }


@router.get("/{preference}", response_model=PreferenceOut, responses=TAGGED)
def get_preference(parts: Parts, response: Response, preference: Name) -> dict[str, Any]:
    """Return a preference; its ETag names the version that a change refers to."""
    found = parts.garage.preferences.get(preference)
    response.headers["etag"] = found.etag
    return preference_out(found)


@router.put("/{preference}", response_model=PreferenceOut, responses=MADE)
def put_preference(
    parts: Parts, response: Response, preference: Name, body: PreferenceIn, if_match: IfMatch = None
) -> dict[str, Any]:
    """Save weights under a name: a new one without If-Match, else the version that If-Match names."""
    _check_own(preference)
    known = parts.garage.preferences.find(preference)
    if known is not None:
        matched(if_match, known.etag, "preference")
    head = Head(name=preference, based_on=body.based_on, sharpness=body.sharpness)
    weights = compose(head, body.weights, lambda table, key: ".".join(filter(None, ("body", table, key))))
    saved, new = parts.garage.preferences.put(weights, if_match)
    response.status_code = 201 if new else 200
    response.headers["etag"] = saved.etag
    return preference_out(saved)


@router.delete("/{preference}", status_code=204)
def remove_preference(parts: Parts, preference: Name, if_match: IfMatch = None) -> None:
    """Remove a saved preference. Jobs that were asked with it keep the weights that it had."""
    _check_own(preference)
    etag = matched(if_match, parts.garage.preferences.get(preference).etag, "preference")
    parts.garage.preferences.remove(preference, etag)


def _check_own(name: str) -> None:
    if name.casefold() in PREFERENCES:
        raise refusal(
            409, f"preference {name}", what="name", value=name, allowed=f"must not be {', '.join(PREFERENCES)}",
            remedy="Those come with gridfit and stay as they are; take a name of your own.",
        )  # fmt: skip
