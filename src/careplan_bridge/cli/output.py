"""What commands print: documents on stdout, words about the work on stderr, files where `--to` says."""

import io
import sys
from pathlib import Path
from typing import TextIO

import click

from careplan_bridge import bridge
from careplan_bridge.review.documents import encode


def document(value: object) -> None:
    """A JSON document on stdout."""
    click.echo(encode(value), nl=False)


def note(sentence: str) -> None:
    """A word about the work, on stderr: stdout belongs to the result."""
    click.echo(sentence, err=True)


def save(path: Path, data: bytes) -> None:
    bridge.write_bytes(path, data)
    note(f"wrote {path}")


def result(value: object, to: Path | None) -> None:
    """A document to the file named by `--to`, else to stdout."""
    if to is None:
        document(value)
    else:
        save(to, encode(value))


def receipt(value: bridge.Receipt) -> None:
    """One line a resource, then what the server does not offer or what was left alone."""
    for item in value.items:
        click.echo("  ".join((f"{item.action:<12}", item.reference or item.what, item.identifier)).rstrip())
    for sentence in value.says:
        note(sentence)


def foretold(heading: str, value: bridge.Forecast) -> None:
    """What will be written and which way, before it is."""
    note(heading)
    for sentence in value.says:
        note(f"  {sentence}")


def progress_stream() -> TextIO:
    """Progress goes to stderr, and only to a terminal."""
    return sys.stderr if sys.stderr.isatty() else io.StringIO()


__all__ = ["document", "encode", "foretold", "note", "progress_stream", "receipt", "result", "save"]
