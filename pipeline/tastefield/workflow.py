"""The stages in a row: over setups, on cores; what is written, and the manifest that says from what.

Nothing here computes. The result does not depend on the number of jobs: setups are sorted by key, worked in chunks of
fixed size with one seed and one BLAS thread, and gathered in order.
"""

from __future__ import annotations

import hashlib
import os
import platform
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any, TypeVar

from joblib import Parallel, delayed, parallel_config
from pydantic import BaseModel
from threadpoolctl import threadpool_limits

from tastefield import output, population, stored
from tastefield.config import Config, matching_files, with_listed
from tastefield.errors import ConfigError, NotEnough, OutputError, Problem, TastefieldError
from tastefield.loading import Loaded, load
from tastefield.population import Teaching
from tastefield.records import (
    Comparison,
    Context,
    Derived,
    Population,
    Progress,
    Pulled,
    Records,
    RunResult,
    Setup,
    SetupResult,
    Station,
    Surface,
    Taste,
)
from tastefield.registry import Registry, build
from tastefield.runlog import RunLog
from tastefield.slug import slug
from tastefield.stages.bench import READINGS_NEEDED, bench
from tastefield.stages.changes import with_change
from tastefield.stages.checks import checks, with_failed
from tastefield.stages.compare import compare as side_by_side
from tastefield.stages.compare import pulled, told_over
from tastefield.stages.derive import derive
from tastefield.stages.dosing import dosing
from tastefield.stages.drift import with_drift
from tastefield.stages.handover import stations, unknown_coffee
from tastefield.stages.ingest import ingest
from tastefield.stages.ladder import ladder
from tastefield.stages.panel import panel
from tastefield.stages.pasted import without_pasted
from tastefield.stages.plan import plan
from tastefield.stages.pours import pours, with_recordings
from tastefield.stages.reconcile import reconcile
from tastefield.stages.report import handover, report, summary
from tastefield.stages.settings import settings, to_start
from tastefield.stages.strength import strength
from tastefield.stages.suspects import suspects
from tastefield.stages.teaching import teaching
from tastefield.stages.visit import last_setup, machine_called, visit
from tastefield.stages.window import window
from tastefield.words.findings import Finding, finding
from tastefield.words.run_lines import nothing_yet

CHUNK = 4
"""Setups worked together; fixed, so that the sums of learning do not depend on the number of jobs."""

LIBRARIES = ("numpy", "pandas", "scipy", "statsmodels", "scikit-learn", "matplotlib", "seaborn", "pydantic", "pluggy")

S = TypeVar("S")
T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class Task:
    """All a worker needs besides its setups; plain data, so that it can travel.

    :param tasted: tasted shots of the whole bench. :param setups: how many setups it has.
    :param before: status and aim of setups in the last run, by slug.
    """

    config: Config
    plugin_texts: tuple[tuple[str, str], ...]
    surface_options: BaseModel
    writer_options: tuple[tuple[str, BaseModel], ...]
    fail_fast: bool
    folder: Path | None
    tasted: int
    setups: int
    before: Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True, eq=False)
class Worked:
    """What comes back of one setup: its result, what is told of its station, and the names of what failed."""

    result: SetupResult
    handover: dict[str, Any] | None
    failed: tuple[str, ...]


def run(
    source: str | Path,
    out: str | Path | None = None,
    jobs: int = 1,
    strict: bool = False,
    fail_fast: bool = False,
    progress: Progress | None = None,
    cluster: str | None = None,
) -> RunResult:
    """Read, compute and write; see :func:`tastefield.run`.

    :param cluster: address of a scheduler whose workers see the output folder under the same path, instead of ``jobs``.
    :param strict: refuse to write where anything was set aside or warned of.
    :param fail_fast: stop at the first setup or writer that fails.
    :raises TastefieldError: nothing was written; the last good output stands.
    """
    loaded = load(source)
    target = Path(out) if out is not None else output.default_out(loaded.config.title, Path(source))
    with output.held(target):
        part = output.prepare(target)
        try:
            with RunLog(part / output.LOG) as log:
                before = output.entries_before(target)
                found = _analyse(loaded, source, cluster or jobs, fail_fast, progress, log, part, before)
                if strict:
                    _refuse_doubt(found)
                lost, doubts = _write_run(loaded, found, part, fail_fast, log)
                failed = [*found.failed, *lost]
                if found.population is not None:
                    population.write(part, found.population)
                output.seal(part, _facts(loaded, source, found))
        except BaseException:
            output.discard(part)
            raise
        output.commit(part, target)
    told = {**found.summary, "findings": [*found.summary["findings"], *doubts]}
    return replace(found, summary=told, out=target, failed=tuple(failed))


def check(source: str | Path) -> Records:
    """Read and reconcile only: what would be kept, what set aside, and every finding on the way."""
    return _read(load(source))


def analyse(source: str | Path, jobs: int = 1, progress: Progress | None = None) -> RunResult:
    """Everything but the writing."""
    with RunLog(None) as log:
        return _analyse(load(source), source, jobs, False, progress, log, None)


def compare(source: str | Path, machine: str, theirs: Pulled, progress: Progress | None = None) -> Comparison:
    """What was handed over with a machine beside what its new owner pulls. Nothing is written.

    :param machine: its name, or a beginning or part of it.
    :param theirs: what the owner tells; what is not told is taken from the machine's last return in the log.
    :raises TastefieldError: no machine is called so, or nothing was handed over yet.
    """
    loaded = load(source)
    records = _read(loaded)
    if records.tables["shots"].empty:
        raise TastefieldError(_no_shot(records, source))
    config = with_listed(loaded.config, records.tables["grinders"].to_dict("records"))
    every = derive(records, config.setups, config.grinder)
    name = machine_called(machine, every.shots["machine"].astype(str))
    call = visit(every.shots, name, theirs)
    before = _without(records, call.left_out)
    with threadpool_limits(1):
        ours = bench(without_pasted(derive(before, config.setups, config.grinder)), records.taste, config.grinder)
        told = teaching(ours, loaded.prior, config.surface.salt)
    task = _task(loaded, config, True, None, 0, 1)
    learned = _learn(loaded, told, task, 1, progress or _silent, Context(loaded.surface_options, config.seed))
    setup = last_setup(told.setups, name)
    (worked,) = _work([(setup, None)], task, _own(learned, [setup]))
    return side_by_side(call, worked.result.entry, setup, told_over(theirs, pulled(call.returned, every.scores)))


def page(folder: str | Path, called: str) -> Path:
    """Write the page of one setup of a stored run, which may have been left out, link it, and tell the run's manifest.

    :param called: the setup's file-safe name, or part of the names it is known by.
    :returns: the page.
    :raises TastefieldError: no such run, none or several setups called so, or the page cannot be written.
    """
    target = Path(folder)
    result = stored.setup(target, called)
    writer = build().writers["page"]
    with output.held(target):
        try:
            writer.write_setup(result, target, Context(writer.Options()))
        except OSError as error:
            do = "check rights and space there"
            raise OutputError(Problem("cannot be written", str(target), str(error), do)) from error
        name, index = f"setups/{result.slug}.html", "page.html"
        output.added(target, [name, *([index] if (target / index).exists() else [])])
    return target / name


def title(config: Config, source: str | Path) -> str:
    """The configured title, or the name of the file."""
    return config.title or Path(source).stem


def _read(loaded: Loaded) -> Records:
    config = loaded.config
    read = ingest(config.source, loaded.registry.readers, config.folder, config.seed, loaded.reader_options)
    records = suspects(strength(pours(reconcile(read.raw, config.source, config.taste)), config.refractometer))
    return replace(records, findings=(*read.findings, *records.findings), headings=read.headings)


def _analyse(
    loaded: Loaded,
    source: str | Path,
    jobs: int | str,
    fail_fast: bool,
    progress: Progress | None,
    log: RunLog,
    folder: Path | None,
    before: Mapping[str, Mapping[str, Any]] | None = None,
) -> RunResult:
    config = loaded.config
    with log.stage("read"):
        records = _read(loaded)
    if records.tables["shots"].empty:
        raise TastefieldError(_no_shot(records, source))
    config = with_listed(config, records.tables["grinders"].to_dict("records"))
    with log.stage("derive"):
        derived = derive(records, config.setups, config.grinder)
    with log.stage("bench"), threadpool_limits(1):
        once = without_pasted(derived)
        told = teaching(bench(once, records.taste, config.grinder), loaded.prior, config.surface.salt)
        checked = checks(records.tables["checks"], config.check)
        setups = with_recordings(with_drift(with_failed(told.setups, checked)), records.tables["traces"])
    handed = stations(setups)
    task = _task(loaded, config, fail_fast, folder, sum(station.tasted for station in handed), len(setups), before)
    tell = progress or _silent
    with log.stage("learn"):
        context = Context(loaded.surface_options, config.seed)
        learned = _learn(loaded, told, task, jobs, tell, context)
    with log.stage("setups"):
        last = {id(station.setup): station for station in handed}
        pairs = _chunks([(setup, last.get(id(setup))) for setup in setups])
        own = [_own(learned, [setup for setup, _ in chunk]) for chunk in pairs]
        answers = _each(_work, pairs, task, jobs, own, lambda done: tell("setups", done, len(pairs)))
        worked = [one for answer in answers for one in answer]
    results = tuple(one.result for one in worked)
    failed = tuple(name for one in worked for name in one.failed)
    head = {
        "title": title(config, source),
        "created_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "versions": versions(),
        "seed": config.seed,
        "taste": _taste(records.taste),
        "tasters": panel(once.scores),
        "prior": None if told.prior is None else told.prior.as_dict(),
    }
    doubts = (*once.findings, *_few_readings(once, setups), *told.findings, *context.findings)
    findings = (*records.findings, *doubts)
    kept = replace(records, tables={**records.tables, "shots": derived.shots})
    passed_on = [one.handover for one in worked if one.handover is not None]
    shared = None
    model = loaded.registry.surfaces[config.surface.model]
    if model.Shared is not None:
        named = (model.name, records.taste.attribute, config.surface.salt)
        shared = population.document(*named, model.Shared, learned, told)
    return RunResult(summary(head, records.counts, findings, passed_on, checked), results, kept, None, failed, shared)


def _task(
    loaded: Loaded,
    config: Config,
    fail_fast: bool,
    folder: Path | None,
    tasted: int,
    setups: int,
    before: Mapping[str, Mapping[str, Any]] | None = None,
) -> Task:
    writers = tuple(loaded.writer_options.items())
    options = loaded.surface_options
    return Task(config, loaded.plugin_texts, options, writers, fail_fast, folder, tasted, setups, before or {})


def _learn(loaded: Loaded, told: Teaching, task: Task, jobs: int | str, tell: Progress, context: Context) -> Population:
    """What all setups teach together."""
    chunks = _chunks(told.setups)
    nothing: list[Population] = [{}] * len(chunks)
    gathered = list(_each(_gather, chunks, task, jobs, nothing, lambda done: tell("learning", done, len(chunks))))
    model = loaded.registry.surfaces[task.config.surface.model]
    with _named(f"surface model {model.name}", "learning from all setups"):
        prior = None if told.prior is None else model.join(told.prior.learned, told.prior.weights(told.names), context)
        return model.learn([sums for sums in gathered if sums is not None], prior, context)


def _without(records: Records, shots: Set[str]) -> Records:
    """The records without some shots, their readings and their scores."""
    kept = {
        name: table[~table["shot_id"].isin(shots)].reset_index(drop=True) if "shot_id" in table else table
        for name, table in records.tables.items()
    }
    return replace(records, tables=kept)


def _chunks(items: Sequence[S]) -> list[Sequence[S]]:
    return [items[start : start + CHUNK] for start in range(0, len(items), CHUNK)]


def _few_readings(derived: Derived, setups: Sequence[Setup]) -> Iterator[Finding]:
    """Readings were taken and yet no extraction is told anywhere: say why."""
    read = int(derived.shots["extraction_pct"].notna().sum())
    if read and not any(setup.bench.extraction for setup in setups):
        yield finding("too_few_readings", count=read, needed=READINGS_NEEDED)


def _no_shot(records: Records, source: str | Path) -> Problem:
    """Why there is nothing to work with."""
    shots = [count for count in records.counts if count.table == "shots"]
    if not shots:
        held = ", ".join(f"{count.place} holds {count.table}" for count in records.counts) or "nothing was read"
        return Problem(
            "no source holds shots",
            str(source),
            held,
            'add a [[source]] that holds them; of a workbook, name the sheet: sheet = "..."',
        )
    if not any(count.read for count in shots):
        return Problem("no shot is written down yet", str(source), *nothing_yet(count.place for count in shots))
    (row, reason), *_ = records.set_aside.loc[records.set_aside["table"] == "shots", ["row", "reason"]].to_numpy()
    why = f"set aside: {sum(count.read for count in shots)}, that is all; the first, row {row}: {reason}"
    return Problem("no shot could be kept", str(source), why, f"see what to do about each: tastefield check {source}")


def versions() -> dict[str, str]:
    """Versions of everything that can change a number."""
    return {
        "python": platform.python_version(),
        "tastefield": version("tastefield"),
        **{name: version(name) for name in LIBRARIES},
    }


def _taste(taste: Taste) -> dict[str, Any]:
    return {
        "attribute": taste.attribute,
        "scale": list(taste.scale),
        "good": taste.good,
        "inferred": taste.inferred,
    }


def _silent(stage: str, done: int, total: int) -> None:
    return None


def _each(
    work: Callable[[Sequence[S], Task, Population], T],
    chunks: Sequence[Sequence[S]],
    task: Task,
    jobs: int | str,
    populations: Sequence[Population],
    done: Callable[[int], None],
) -> Iterator[T]:
    """Work every chunk, here, in worker processes or on the cluster of that address; answers come back in order."""
    answers: Iterable[T]
    given = list(zip(chunks, populations, strict=True))
    if isinstance(jobs, str):
        answers = _on_cluster([delayed(work)(chunk, task, known) for chunk, known in given], jobs)
    elif jobs == 1 or len(chunks) == 1:
        answers = (work(chunk, task, known) for chunk, known in given)
    else:
        parallel = Parallel(n_jobs=jobs, backend="loky", return_as="generator")
        answers = parallel(delayed(work)(chunk, task, known) for chunk, known in given)
    for number, answer in enumerate(answers, start=1):
        done(number)
        yield answer


def _on_cluster(calls: list[Any], address: str) -> list[Any]:
    try:
        import distributed
    except ImportError:
        do = "install it: pip install 'tastefield[cluster]'"
        raise ConfigError(Problem("the part for clusters is not installed", "--cluster", do=do)) from None
    try:
        connect: Any = distributed.Client
        client = connect(address, timeout="10s")
    except (OSError, ValueError) as error:
        do = "start a scheduler, or mend the address: tcp://host:8786"
        raise ConfigError(Problem("no cluster answers", f"--cluster {address}", str(error), do)) from error
    with client, parallel_config(backend="dask", wait_for_workers_timeout=10):
        return list(Parallel()(calls))


@lru_cache(maxsize=4)
def _registry(plugin_texts: tuple[tuple[str, str], ...]) -> Registry:
    return build(plugin_texts)


def _own(population: Population, setups: Sequence[Setup]) -> Population:
    """The population with what it holds of these setups and their machines alone: all of it is too much to send."""
    kept = {"setups": {setup.name for setup in setups}, "machines": {setup.machine for setup in setups}}
    own = {
        of: {name: population[of][name] for name in names & population[of].keys()}
        for of, names in kept.items()
        if of in population
    }
    return {**population, **own}


def _gather(setups: Sequence[Setup], task: Task, population: Population) -> Any:
    with threadpool_limits(1):
        model = _registry(task.plugin_texts).surfaces[task.config.surface.model]
        with _named(f"surface model {model.name}", ", ".join(_name(setup.key) for setup in setups)):
            return model.gather(setups, Context(task.surface_options, task.config.seed))


def _work(setups: Sequence[tuple[Setup, Station | None]], task: Task, population: Population) -> list[Worked]:
    """Work a chunk of setups, and the stations that are handed over after them."""
    answers = []
    with threadpool_limits(1):
        for setup, station in setups:
            result, failed = _setup(setup, task, population)
            result = with_change(result, task.before.get(result.slug))
            if task.folder is not None:
                failed = (*failed, *_write_setup(result, task))
            entry, lost = (None, ()) if station is None else _station(station, task, population)
            answers.append(Worked(result, entry, (*failed, *lost)))
    return answers


def _station(station: Station, task: Task, population: Population) -> tuple[dict[str, Any] | None, tuple[str, ...]]:
    """Where to start with a coffee not yet tasted on a machine; ``None`` where the surface model cannot say."""
    config = task.config
    model = _registry(task.plugin_texts).surfaces[config.surface.model]
    context = Context(task.surface_options, config.seed)
    setup, name = unknown_coffee(station.setup), f"handover of {station.machine}, {station.grinder}"
    try:
        surface = model.untasted(setup, population, context)
        if surface is None:
            return None, ()
        aim = window(setup, surface, config.window.assurance, station.tasted, surest=True)
        dial = to_start(station.setup, aim, config.grinder)
        next_shots = plan(setup, surface, aim, dial, config.next.worth, config.seed)
    except Exception as error:
        if task.fail_fast:
            raise _stopped("the handover", name, error) from error
        notes = [*setup.findings, *context.findings, _failure(error)]
        return handover(station, None, None, (), notes, task.tasted), (name,)
    notes = [
        *setup.findings,
        finding("coffee_not_known"),
        *context.findings,
        *surface.findings,
        *aim.findings,
        *dial.findings,
    ]
    return handover(station, aim, dial, next_shots, notes, task.tasted), ()


def _setup(setup: Setup, task: Task, population: Population) -> tuple[SetupResult, tuple[str, ...]]:
    config = task.config
    model = _registry(task.plugin_texts).surfaces[config.surface.model]
    context = Context(task.surface_options, config.seed)
    name = slug(setup.key.values())
    try:
        surface: Surface | None = model.fit(setup, population, context)
    except NotEnough as lack:
        next_shots = plan(setup, None, None, None, config.next.worth, config.seed)
        notes = [*context.findings, finding("not_enough", why=lack.why, do=lack.do)]
        return report(setup, None, None, None, next_shots, notes, "insufficient"), ()
    except Exception as error:
        if task.fail_fast:
            raise _stopped(f"surface model {model.name}", _name(setup.key), error) from error
        return report(setup, None, None, None, (), [*context.findings, _failure(error)], "failed"), (name,)
    try:
        assert surface is not None  # narrows the type: fit answers or raises
        aim = window(setup, surface, config.window.assurance)
        dial = settings(setup, aim, config.grinder)
        next_shots = plan(setup, surface, aim, dial, config.next.worth, config.seed)
        rungs = ladder(setup, surface, aim, dial, config.seed)
        doses = dosing(setup, aim, dial)
    except Exception as error:
        if task.fail_fast:
            raise _stopped("the recipe", _name(setup.key), error) from error
        return report(setup, surface, None, None, (), [*context.findings, _failure(error)], "failed"), (name,)
    notes = [*context.findings, *surface.findings, *aim.findings, *dial.findings, *doses.findings]
    return report(setup, surface, aim, dial, next_shots, notes, aim.status, rungs, doses), ()


def _failure(error: Exception) -> Finding:
    return finding("setup_failed", error=_said(error))


def _said(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"


def _name(key: Mapping[str, str]) -> str:
    return ", ".join(key.values())


def _stopped(who: str, on: str, error: Exception) -> TastefieldError:
    """A failure that ends the run, told as one: who failed on what, and at which line of which file."""
    if isinstance(error, ConfigError):
        return error
    frame = traceback.extract_tb(error.__traceback__)[-1]
    where = f"{who}, on {on}"
    why = f"{_said(error)} ({Path(frame.filename).name}, line {frame.lineno})"
    return TastefieldError(Problem("failed", where, why, "mend it there if it is yours, else report it with this line"))


@contextmanager
def _named(who: str, on: str) -> Iterator[None]:
    """A failure in here ends the run: no setup can be worked out without it."""
    try:
        yield
    except Exception as error:
        raise _stopped(who, on, error) from error


def _write_setup(result: SetupResult, task: Task) -> tuple[str, ...]:
    failed = []
    registry = _registry(task.plugin_texts)
    for name, options in task.writer_options:
        try:
            context = Context(options, task.config.seed, setups=task.setups)
            registry.writers[name].write_setup(result, _folder(task.folder), context)
        except Exception as error:
            if task.fail_fast:
                raise _stopped(f"writer {name}", _name(result.entry["key"]), error) from error
            failed.append(f"writer {name} on {result.slug}")
    return tuple(failed)


def _folder(folder: Path | None) -> Path:
    if folder is None:
        raise OutputError(Problem("a writer was asked to write without a folder"))
    return folder


def _write_run(
    loaded: Loaded, found: RunResult, part: Path, fail_fast: bool, log: RunLog
) -> tuple[list[str], list[dict[str, Any]]]:
    """Which writers failed, and what writers found doubtful: told on the terminal, as the files are written by then."""
    failed = []
    doubts: list[dict[str, Any]] = []
    for name, options in loaded.writer_options.items():
        context = Context(options, loaded.config.seed, setups=len(found.setups))
        with log.stage(f"write {name}"):
            try:
                loaded.registry.writers[name].write_run(found, part, context)
            except Exception as error:
                if fail_fast:
                    raise _stopped(f"writer {name}", "the whole run", error) from error
                failed.append(f"writer {name}: {_said(error)}")
        for doubt in context.findings:
            doubts.append(doubt.as_dict())
            log.note("told", writer=name, code=doubt.code, message=doubt.message)
    return failed, doubts


def _refuse_doubt(found: RunResult) -> None:
    """With ``--strict``: every warning and everything set aside is a reason not to write."""
    problems = [
        Problem(str(row["reason"]), f"{row['place']}, row {row['row']}", f"found {row['value']!r}", str(row["do"]))
        for row in found.records.set_aside.to_dict("records")
    ]
    named = [({}, found.summary["findings"])] + [
        (result.entry["key"], result.entry["findings"]) for result in found.setups
    ]
    for key, findings in named:
        problems += [
            Problem(note["message"], ", ".join(str(value) for value in key.values()), do=note["do"])
            for note in findings
            if note["severity"] != "note"
        ]
    if problems:
        raise TastefieldError(problems)


def _facts(loaded: Loaded, source: str | Path, found: RunResult) -> dict[str, Any]:
    """What the run was made from: versions, and the SHA-256 of every file read, by its name relative to the source."""
    folder = loaded.config.folder
    files = {Path(source)}
    for entry in loaded.config.source:
        files.update(matching_files(folder, entry.path) if entry.path else ())
    for path in loaded.config.surface.population:
        files.update(matching_files(folder, path))
    return {
        "created_at": found.summary["created_at"],
        "versions": found.summary["versions"],
        "inputs": {Path(os.path.relpath(file, folder)).as_posix(): output.sha256(file) for file in sorted(files)},
        "plugins": {name: hashlib.sha256(text.encode()).hexdigest() for name, text in loaded.plugin_texts},
    }
