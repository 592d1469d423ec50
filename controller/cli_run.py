"""`cellarhand run`: the daemon from its first line of log to its exit code."""

import asyncio
import logging
from pathlib import Path

from controller.cli_parser import DONE, REFUSED
from controller.config import load_installation
from controller.historian.faults import HistoryError
from controller.logs import set_up_logging
from controller.runtime import serve


def run_daemon(site: Path, verbose: bool) -> int:
    """Drive the site of that file until a signal stops it; `verbose` logs from DEBUG on. Returns 0, or 1 if it
    could not start or was ended by a fault, which the log tells.

    Raises:
        FileFaults: the site file has faults; nothing was started.
    """
    installation = load_installation(site)
    set_up_logging(installation.log_format, logging.DEBUG if verbose else logging.INFO)
    for warning in installation.warnings:
        logging.warning("%s", warning)
    try:
        asyncio.run(serve(site, installation))
    except (HistoryError, ValueError, OSError) as error:
        logging.error("cannot run: %s", _in_words(error))
        return REFUSED
    except BaseExceptionGroup as group:
        return tell_end(group)
    return DONE


def tell_end(group: BaseExceptionGroup[BaseException]) -> int:
    """Log every fault by which a daemon ended; 1."""
    for fault in _leaves(group):
        trace = None if isinstance(fault, OSError) else fault  # only a bug of ours needs one
        logging.error("ended by a fault, everything was commanded off: %s", _in_words(fault), exc_info=trace)
    return REFUSED


def _in_words(error: BaseException) -> str:
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    return str(error) or type(error).__name__


def _leaves(group: BaseExceptionGroup[BaseException]) -> list[BaseException]:
    return [
        leaf
        for error in group.exceptions
        for leaf in (_leaves(error) if isinstance(error, BaseExceptionGroup) else [error])
    ]
