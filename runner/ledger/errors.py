"""What can go wrong with the ledger as a whole."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import exc

from runner.diagnostics import RunnerError
from runner.records import Inspection


class LedgerError(RunnerError):
    """The ledger could not be read or written. Nothing was changed."""


class OtherPieceError(LedgerError):
    """A scan of this inspection was filed as another piece. Nothing was changed."""

    def __init__(self, text: str, found: Inspection) -> None:
        super().__init__(text)
        self.found = found
        """The valid inspection that has the same bytes, its serial as corrected."""


@contextmanager
def explained(place: str) -> Iterator[None]:
    """Turn a database error into a ``LedgerError`` that says where and what to do."""
    try:
        yield
    except exc.IntegrityError as error:
        raise LedgerError(f"{place}: the database refused the entry: {error.orig}") from error
    except exc.OperationalError as error:
        text = str(error.orig)
        advice = ""
        if "locked" in text or "busy" in text or "lock timeout" in text:
            advice = " Another program holds the ledger; nothing was written. Try again when it has finished."
        elif "full" in text:
            advice = " The disk is full; nothing was written. Make room and try again."
        elif "readonly" in text or "unable to open" in text:
            advice = " Check that the folder exists and that this user may write in it."
        elif "connection" in text or "could not translate host" in text:
            advice = " Check the address, and that the database server runs and lets this user in."
        raise LedgerError(f"{place}: {text}.{advice}") from error
    except exc.DatabaseError as error:
        raise LedgerError(
            f"{place}: {error.orig}. Is this file a ledger? Restore a backup if it is damaged."
        ) from error
