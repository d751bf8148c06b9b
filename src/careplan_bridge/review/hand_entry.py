"""The sheet for hand entry: what a person enters in a record that no program may write to, and how it is confirmed."""

from collections.abc import Sequence
from html import escape

_STYLE = "body{font:16px/1.5 sans-serif;max-width:44rem;margin:2rem auto;padding:0 1rem}li{margin:.3rem 0}code{font-size:1.2em}"


def sheet(lines: Sequence[str], code: str, decision: str) -> bytes:
    """A self-contained page: the statement line by line, a box before each, and the code to confirm it with."""
    entries = "".join(f"<li>&#9744; {escape(line)}</li>" for line in lines)
    return (
        "<!doctype html>\n"
        f'<html lang="en"><head><meta charset="utf-8"><title>Enter by hand: sheet {escape(code)}</title><style>{_STYLE}</style></head>'
        f"<body><h1>Enter this decision in the record by hand</h1><p>Sheet <code>{escape(code)}</code>. The record takes nothing that "
        f"could hold the decision: a person enters it. Tick each line once it stands there.</p><ul>{entries}</ul>"
        f"<p>Then confirm it:</p><pre>careplan-bridge respond {escape(decision)} transcribed {escape(code)} --person ID --reason WORDS"
        "</pre>"
        "</body></html>\n"
    ).encode()
