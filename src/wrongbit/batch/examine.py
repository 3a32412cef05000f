"""One piece of a batch, done in a worker's process: fetched, examined, told in a few values."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from wrongbit import __version__
from wrongbit.batch.items import LEFT_OUT, Item, folder_key, is_local, open_store
from wrongbit.batch.results import Result
from wrongbit.errors import CaptureError, InputError, WrongbitError


def examine(item: Item) -> Result:
    """Examine a case or a capture. A person's mistake gives a result that says so; the batch goes on."""
    place = item.folder or item.capture
    try:
        told = _case(item) if item.folder else _capture(item)
    except WrongbitError as error:
        message = ": ".join(filter(None, (error.where(), error.message)))
        told = {"status": "failed", "message": message, "remedy": error.remedy}
    except OSError as error:
        message = f"{error.filename or place}: {error.strerror or error}"
        told = {
            "status": "failed",
            "message": message,
            "remedy": "Check that it can be read, and run it again.",
        }
    return Result(**{"name": item.name, "place": place, "key": item.key, "version": __version__, **told})


@contextmanager
def _here(url: str, *, whole_folder: bool) -> Iterator[Path]:
    """A file or folder as a local path; what lies in another store is copied for as long as it is needed."""
    fs, path = open_store(url)
    if is_local(fs):
        yield Path(path)
        return
    with tempfile.TemporaryDirectory(prefix="wrongbit-batch-") as beside:
        if not whole_folder:
            target = Path(beside) / path.rpartition("/")[2]
            fs.get_file(path, str(target))
            yield target
            return
        root = path.rstrip("/")
        for each in fs.find(root):
            inside = each[len(root) :].lstrip("/")
            if inside.split("/")[0] in LEFT_OUT:
                continue
            if ".." in inside.split("/"):
                raise InputError(
                    "A file's name leads out of the case.", "Look at who made this; leave it out.", file=each
                )
            target = Path(beside) / inside
            target.parent.mkdir(parents=True, exist_ok=True)
            with fs.open(each, "rb") as source, target.open("wb") as sink:
                shutil.copyfileobj(source, sink)
        yield Path(beside)


def _case(item: Item) -> dict[str, Any]:
    """A case: everything in it at a glance. What is computed of a case here is kept in it."""
    from wrongbit.case.folder import Case
    from wrongbit.casework.casework import Casework

    with _here(item.folder, whole_folder=True) as folder, Case.open(folder) as case:
        fs, path = open_store(item.folder)
        # What was captured is in the journal only now, when it was written in a case.toml.
        key = folder_key(fs, path) if is_local(fs) else item.key
        seen = Casework(case).overview()
    captures = [each for each in seen.captures if not each.proof]
    unusable = next((each for each in captures if each.problem), None)
    if unusable is not None:
        raise CaptureError(
            unusable.problem, "Correct or withdraw it; the case's other captures can be looked at.",
            file=unusable.file,
        )  # fmt: skip
    wrong = [each for each in captures if each.first_wrong is not None]
    reading = sum(each.reading for each in captures)
    told: dict[str, Any] = {
        "key": key,
        "status": "fault" if any(each.fault_seen for each in captures) else "no fault",
        "machine": seen.machine,
        "captures": len(captures),
        "cycles": sum(each.cycles for each in captures),
        "judged_share": sum(each.agrees + each.differs for each in captures) / reading if reading else None,
        "differs": sum(each.differs for each in captures),
        "next": seen.proposals[0].sentence if seen.proposals else "",
    }
    if wrong and wrong[0].first_wrong is not None:
        told["first_wrong"] = wrong[0].first_wrong.sentence
        if wrong[0].findings:
            best = wrong[0].findings[0]
            told |= {"finding": best.sentence, "probability": best.probability}
    if seen.suspects and told["status"] == "fault":
        told |= {"suspect": seen.suspects[0].part, "suspect_share": seen.suspects[0].share}
    return told


def _capture(item: Item) -> dict[str, Any]:
    """A capture of one machine: the main job."""
    from wrongbit.casework.words import word_sentence
    from wrongbit.job import compare_capture, diagnose, open_job

    with (
        _here(item.machine.rpartition("/")[0], whole_folder=True) as folder,
        _here(item.capture, whole_folder=False) as capture,
    ):
        job = open_job(folder / item.machine.rpartition("/")[2], point=item.point or None)
        diagnosis = diagnose(job, compare_capture(job, capture))
    summary, findings = diagnosis.comparison.summary, diagnosis.findings
    told: dict[str, Any] = {
        "status": "fault" if findings.fault_seen else "no fault",
        "machine": job.machine.machine.name,
        "captures": 1,
        "cycles": len(diagnosis.comparison.cycles),
        "judged_share": summary.judged_share if summary.agrees + summary.differs else None,
        "differs": summary.differs,
    }
    if findings.fault_seen:
        told |= {"finding": findings.best.say(), "probability": findings.best.probability}
    if summary.first_wrong is not None:
        told["first_wrong"] = word_sentence(job, diagnosis.comparison, summary.first_wrong)
    return told
