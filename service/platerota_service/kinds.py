"""The kinds of problem (RFC 9457) that calls meet: one constant each, all of them in :data:`KINDS`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of problem: its name in the address `/v1/problems/{name}`, HTTP status, title, and what to do about it."""

    name: str
    status: int
    title: str
    advice: str

    @property
    def type(self) -> str:
        """The problem type of RFC 9457, an address of this service."""
        return f"/v1/problems/{self.name}"


UNREADABLE = Kind(
    "unreadable", 400, "the body cannot be read",
    "Send one JSON object in UTF-8; a request for a plan may be a workbook (.xlsx, .ods) or a zip of CSV files as well.",
)
NO_SUCH_TABLE = Kind("no-such-table", 400, "no such table", "Name one with ?table=, or ask for ?format=zip, which holds them all.")
TOO_LONG_TO_WAIT = Kind(
    "too-long-to-wait", 400, "too long to wait for",
    "Send the header 'Prefer: respond-async' and fetch the answer from its Location, or ask less of the optimiser: `errors` says how much.",
)
NOT_FOUND = Kind("not-found", 404, "nothing is there", "Check the address; /docs lists every call.")
UNKNOWN_PLAN = Kind(
    "unknown-plan", 404, "no such plan",
    "It was deleted, or it ended so long ago that it is not kept any more. Post the request again, with a new"
    " Idempotency-Key where it had one.",
)
UNKNOWN_QUESTION = Kind(
    "unknown-question", 404, "no such question",
    "It was deleted, or it ended so long ago that it is not kept any more. Ask it again, with a new Idempotency-Key"
    " where it had one.",
)
QUESTION_ENDED = Kind("question-ended", 409, "the question has ended", "There is nothing left to stop; GET the question.")
NO_SUCH_PART = Kind("no-such-part", 404, "the plan has no such part", "Ask for one that it has; without the parameter all are shown.")
NO_FONTS = Kind(
    "no-fonts", 501, "no picture can be lettered here",
    "Install the font DejaVu Sans Mono (in Debian the package fonts-dejavu-core) where the service runs, or take the drawing as SVG.",
)
NO_SOLVER = Kind(
    "no-solver", 501, "no week can be simulated here",
    "Have the solver installed where the service answers callers (the package with its extra `solver`), or simulate where it is:"
    " `platerota risks REQUEST.json PLAN.json`.",
)
RISKS_TOO_SLOW = Kind(
    "risks-too-slow", 504, "the simulation took too long",
    "Ask for fewer `samples`, or send the call again when fewer plans are being solved; whoever runs the service may allow more time.",
)
UNKNOWN_OPERATOR = Kind("unknown-operator", 404, "no such operator", "Use the id of an operator of the plan's shop, or leave it out.")
WRONG_METHOD = Kind("wrong-method", 405, "this address does not know that method", "Use a method that the Allow header names.")
ALREADY_ENDED = Kind("already-ended", 409, "the plan has ended", "There is nothing left to stop; GET the plan.")
TOO_LARGE = Kind(
    "too-large", 413, "the body is too large", "Leave out closed orders and what the shop no longer has, or plan a part of the shop.",
)
WRONG_MEDIA_TYPE = Kind(
    "wrong-media-type", 415, "the body is of a kind not read here",
    "Send the header 'Content-Type: application/json' and the body in UTF-8, not compressed; a request for a plan may be a workbook or a"
    " zip of CSV files as well, under its own media type, and orders alone CSV where the shop is stored: `POST /v1/shops/{id}/plans`.",
)
FAULTS = Kind("faults-in-request", 422, "the request has faults", "Mend what `errors` lists; every fault of the request is there.")
INTERNAL = Kind(
    "internal", 500, "a fault of the service",
    "Give the instance to whoever runs the service: it is in the log. The request may be sent again.",
)
BUSY = Kind("busy", 503, "the service takes no work now", "Send the request again after the seconds that Retry-After says.")
WARMING = Kind(
    "warming-up", 503, "the service gets its optimiser ready",
    "Send the request again after the seconds that Retry-After says, or now with the header 'Prefer: respond-async': then it is taken,"
    " waits its turn, and its plan is fetched from its Location.",
)
NO_WORKER = Kind(
    "no-worker", 503, "nobody is there to solve",
    "Send the request again after the seconds that Retry-After says, or now with the header 'Prefer: respond-async': then it is taken,"
    " solved once a worker is there, and its plan is fetched from its Location. Whoever runs the service starts a worker.",
)
KEY_MISSING = Kind(
    "key-missing", 401, "no key was given",
    "Send a key in the header 'Authorization: Bearer …' or 'X-API-Key: …', never in the address; `platerota keys create` makes one.",
)
KEY_REFUSED = Kind(
    "key-refused", 401, "the key or link is not valid",
    "It may be mistyped, revoked or past its last day; `platerota keys list` shows every key, `platerota keys create` makes a new one.",
)
SCOPE_MISSING = Kind(
    "scope-missing", 403, "the key does not allow this", "Use a key that has the scope; `platerota keys create --scope` makes one.",
)
NO_FORM = Kind("no-form", 415, "the body is no form", "Send the form of the page; programs have other calls.")
FOREIGN_FORM = Kind(
    "foreign-form", 403, "the form is not one of this session", "Open the form anew and send it from there; programs have other calls.",
)
UNKNOWN_SHOP = Kind("unknown-shop", 404, "no such shop", "PUT the shop first; GET /v1/shops lists those that are there.")
NONE_RELEASED = Kind(
    "none-released", 404, "the shop works by no plan", "Release one: PUT /v1/plans/{id}/release, for a ready plan of the shop.",
)
UNKNOWN_ROW = Kind("unknown-row", 404, "no such row", "GET the table to see its rows and how each is addressed.")
UNKNOWN_WEBHOOK = Kind("unknown-webhook", 404, "no such webhook", "GET /v1/webhooks lists those that are there.")
UNKNOWN_DELIVERY = Kind("unknown-delivery", 404, "no such delivery", "GET the deliveries of the webhook; old ones are forgotten.")
TOO_MANY_WEBHOOKS = Kind(
    "too-many-webhooks", 409, "there are too many webhooks",
    "DELETE one that is not needed any more, or PUT another address or other events to one that is there.",
)
WEBHOOK_DISABLED = Kind(
    "webhook-disabled", 409, "the webhook is disabled",
    "PUT the webhook with `enabled` true once its address takes messages again, then send the message again.",
)
NOT_READY = Kind(
    "not-ready", 409, "the plan is not ready", "GET the plan, best with the header 'Prefer: wait=20', until its status is 'ready'.",
)
NOT_RELEASABLE = Kind(
    "not-releasable", 409, "the plan cannot be released", "Release a plan that is `ready` and was made for that shop.",
)
STILL_ANSWERING = Kind(
    "still-answering", 409, "the first call with this Idempotency-Key is still being answered",
    "Send it again after the seconds that Retry-After says, or GET the Location.",
)
KEY_REUSED = Kind(
    "idempotency-key-reused", 422, "the Idempotency-Key was used for another request", "Use a new key for each new request.",
)
KEY_SPENT = Kind(
    "idempotency-key-spent", 404, "what was made with this Idempotency-Key is deleted",
    "Where it shall be made once more, send the request with a new Idempotency-Key: this one stands for what is deleted, for 24 hours.",
)
BAD_HEADER = Kind("bad-header", 400, "a header cannot be read", "Write it as the detail says.")
BAD_CURSOR = Kind("bad-cursor", 400, "the cursor is not one of ours", "Follow `next` as it was answered, or begin without a cursor.")
CHANGED = Kind(
    "changed-meanwhile", 412, "it has changed meanwhile", "GET it again, make the change once more, and send it with the new ETag.",
)
IF_MATCH_MISSING = Kind(
    "if-match-missing", 428, "this would overwrite what is stored",
    "Send the ETag of what you have seen in the header 'If-Match', so that nobody's change is lost.",
)
TOO_MANY_CALLS = Kind("too-many-calls", 429, "too many calls", "Send the call again after the seconds that Retry-After says.")
STORE = Kind(
    "store-unavailable", 503, "the database cannot be reached or written now",
    "Nothing of this call was stored. Send it again after the seconds that Retry-After says; whoever runs the service finds the"
    " cause in its log.",
)
TAKEN = Kind(
    "taken-not-answered", 503, "it is taken, but cannot be answered now",
    "It is stored and goes on by itself: GET its Location after the seconds that Retry-After says. Sent again without the Idempotency-Key"
    " that it had, it would be done twice.",
)
HTTP = Kind("http", 400, "the call was refused", "The status and detail of the answer say why.")

KINDS = {
    kind.name: kind
    for kind in (
        UNREADABLE, NO_SUCH_TABLE, TOO_LONG_TO_WAIT, BAD_HEADER, BAD_CURSOR, KEY_MISSING, KEY_REFUSED, SCOPE_MISSING, FOREIGN_FORM,
        NO_FORM, NOT_FOUND, UNKNOWN_PLAN, UNKNOWN_QUESTION, NO_SUCH_PART, UNKNOWN_OPERATOR, UNKNOWN_SHOP, NONE_RELEASED, UNKNOWN_ROW,
        UNKNOWN_WEBHOOK, UNKNOWN_DELIVERY, WEBHOOK_DISABLED, TOO_MANY_WEBHOOKS, WRONG_METHOD,
        ALREADY_ENDED, QUESTION_ENDED, NOT_READY, NOT_RELEASABLE, STILL_ANSWERING, CHANGED, TOO_LARGE, WRONG_MEDIA_TYPE, FAULTS, KEY_REUSED,
        KEY_SPENT, IF_MATCH_MISSING, TOO_MANY_CALLS, INTERNAL, NO_FONTS, NO_SOLVER, BUSY, WARMING, NO_WORKER, STORE,
        TAKEN, RISKS_TOO_SLOW, HTTP,
    )
}
"""Every kind by its name."""

CALL_CODES = {
    "parameter": "a parameter of the address or a header is not as the API description says",
    "unknown-parameter": "a parameter of the address that the call does not have",
    "bad-address": "a webhook's address is not https, or leads where nothing is sent",
    "not-linkable": "no call that accepts signed links has that address",
    "row-elsewhere": "the row's own id or key is not that of the address",
}
"""Every code of a fault that is in the call rather than in the tables, and what it means."""
