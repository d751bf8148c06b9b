"""Connections that break, or never end."""

from dataclasses import replace

from careplan_bridge.sandbox.misbehaviours.answers import cut, done_and, done_then_hang_up, hang_up
from careplan_bridge.sandbox.misbehaviours.kind import Kind, after, always, first
from careplan_bridge.sandbox.misbehaviours.requests import (
    anything,
    is_further_page,
    is_post,
    is_search,
    is_update,
    is_write,
)

KINDS = (
    Kind("closed-read", "The connection closes before an answer to a read comes.", first(is_search, hang_up)),
    Kind("closed-read-always", "No search is ever answered.", always(is_search, hang_up)),
    Kind("closed-page", "Every page but the first breaks off.", always(is_further_page, hang_up)),
    Kind("closed-write-not-done", "The request is lost on the way.", first(is_write, hang_up)),
    Kind("closed-write-done", "The answer is lost on the way.", first(is_write, done_then_hang_up)),
    Kind("closed-update-done", "The answer to an update is lost on the way.", first(is_update, done_then_hang_up)),
    Kind("closed-for-good", "The server goes away in the middle of a run.", after(4, anything, hang_up)),
    Kind("cut-read", "The connection breaks within the body of a search.", first(is_search, done_and(cut))),
    Kind("cut-read-always", "The connection breaks within the body of every search.", always(is_search, done_and(cut))),
    Kind("cut-write-done", "The connection breaks within the answer to a write.", first(is_post, done_and(cut))),
    Kind(
        "slow-drip",
        "An answer that comes in drops, each in time, and all together never.",
        always(is_search, done_and(lambda answer: replace(answer, drops=60))),
    ),
)
