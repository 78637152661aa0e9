"""Long work in chunks: in this process, in several, or on a cluster, with what is done kept."""

from __future__ import annotations

import importlib
import multiprocessing
import signal
from collections.abc import Callable, Iterable
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any

from crankclock import __version__
from crankclock.errors import CrankclockError, InputError, Problem, UnfinishedError
from crankclock.studies.store import Result, Store

Function = Callable[..., Result]
Progress = Callable[[str, int, int], None]
"""Told what is being worked out, how many chunks of it are done, and of how many."""

ANSWERS_WITHIN = 10.0
"""Time [s] a cluster has to answer, and to show a worker."""

AHEAD = 2
"""Chunks in hand for each worker, so that none waits for the next."""


@dataclass(frozen=True)
class Chunk:
    """One piece of work: a name of its own, and what the function is called with; all of it can be pickled."""

    key: str
    arguments: tuple[Any, ...]


@dataclass(frozen=True)
class Done:
    """Results by key; not whole where the work was interrupted."""

    results: dict[str, Result] = field(default_factory=dict)
    whole: bool = True


def silent(_what: str, _done: int, _total: int) -> None:
    """No progress told."""


class Crew:
    """Those who do the work, and where its results are kept; a context manager.

    Parameters
    ----------
    jobs : int
        Processes; with 1 the work is done in this one.
    cluster : str, optional
        Address of a dask scheduler, HOST:PORT, that does the work instead. Chunks of a worker that dies go to others.
    store : Store, optional
        Results that are there already are not worked out again; new ones are added.
    progress : callable
        Told of every chunk done.

    Raises
    ------
    InputError
        A cluster is named and the extra for it is not installed.
    UnfinishedError
        The cluster does not answer, or has no worker.
    """

    def __init__(
        self,
        jobs: int = 1,
        cluster: str | None = None,
        store: Store | None = None,
        progress: Progress = silent,
    ) -> None:
        self._store, self._progress = store, progress
        self._client: Any = None
        self._executor: Executor | None = None
        self._cluster, self._width = cluster, AHEAD * jobs
        if cluster is not None:
            self._client = _client(cluster)
            self._executor = self._client.get_executor(pure=False)
            self._width = AHEAD * max(sum(self._client.ncores().values()), 2)
        elif jobs > 1:
            spawn = multiprocessing.get_context("spawn")
            self._executor = ProcessPoolExecutor(jobs, mp_context=spawn, initializer=_leave_interrupts_to_parent)

    @property
    def alone(self) -> bool:
        """Whether the work is done in this process and not kept, so that large chunks serve best."""
        return self._executor is None and self._store is None

    def __enter__(self) -> Crew:
        return self

    def __exit__(self, kind: type[BaseException] | None, wrong: BaseException | None, at: TracebackType | None) -> None:
        if self._executor is None:
            return
        if self._client is None:
            self._executor.shutdown(cancel_futures=True)
        else:
            self._executor.shutdown(wait=False)
            self._client.close()

    def run(self, what: str, function: Function, chunks: Iterable[Chunk], total: int) -> Done:
        """Work out every chunk.

        Parameters
        ----------
        what : str
            What the work is, for those who wait.
        function : callable
            Called with each chunk's arguments; a function of a module, so that other processes find it.
        chunks : iterable of Chunk
            Taken one by one as there is room, so it may make them as it goes.
        total : int
            How many they are.

        Returns
        -------
        Done
            What was done, also when Ctrl-C came before the end; results are the same whoever did them.

        Raises
        ------
        UnfinishedError
            A worker died and nobody could take over, or could not load the program.
        """
        done = Done()
        kept = {} if self._store is None else self._store.done

        def keep(key: str, result: Result) -> None:
            if self._store is not None and key not in kept:
                self._store.add(key, result)
            done.results[key] = result
            self._progress(what, len(done.results), total)

        def fresh() -> Iterable[Chunk]:
            for chunk in chunks:
                if chunk.key in kept:
                    keep(chunk.key, kept[chunk.key])
                else:
                    yield chunk

        self._progress(what, 0, total)
        try:
            if self._executor is None:
                for chunk in fresh():
                    keep(chunk.key, function(*chunk.arguments))
            else:
                self._spread(self._executor, function, fresh(), keep)
        except KeyboardInterrupt:
            return Done(done.results, whole=False)
        return done

    def _spread(
        self, executor: Executor, function: Function, chunks: Iterable[Chunk], keep: Callable[[str, Result], None]
    ) -> None:
        waiting: dict[Future[Result], str] = {}

        def collect() -> None:
            for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                keep(waiting.pop(future), future.result())

        try:
            for chunk in chunks:
                waiting[executor.submit(_call, __version__, function, chunk.arguments)] = chunk.key
                if len(waiting) >= self._width:
                    collect()
            while waiting:
                collect()
        except KeyboardInterrupt:
            for future in waiting:
                future.cancel()
            for future, key in waiting.items():  # what is in hand is finished, and kept
                if not future.cancelled() and future.exception() is None:
                    keep(key, future.result())
            raise
        except BrokenProcessPool:
            raise UnfinishedError("a worker process died; what was done before is kept (--resume)") from None
        except ImportError as wrong:
            raise UnfinishedError(f"a worker cannot load crankclock: {wrong}") from None
        except CrankclockError:
            raise
        except Exception as wrong:
            if self._cluster is None or type(wrong).__module__.partition(".")[0] != "distributed":
                raise
            raise UnfinishedError(f"the cluster at {self._cluster} gave up: {wrong}") from None


def _call(version: str, function: Function, arguments: tuple[Any, ...]) -> Result:
    """Run on a worker, which must be of the same version."""
    if version != __version__:
        raise ImportError(f"it has version {__version__}, not {version}")
    return function(*arguments)


def _leave_interrupts_to_parent() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _client(address: str) -> Any:
    try:
        connect: Any = importlib.import_module("distributed").Client
    except ImportError:
        want = 'the extra for it: pip install "crankclock[cluster]"'
        raise InputError([Problem("--cluster", f'"{address}"', want)]) from None
    try:
        client = connect(address, timeout=ANSWERS_WITHIN, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as wrong:
        raise UnfinishedError(f"no dask scheduler answers at {address}: {wrong}") from None
    try:
        client.wait_for_workers(1, timeout=ANSWERS_WITHIN)
    except TimeoutError:
        client.close()
        raise UnfinishedError(f"the dask scheduler at {address} has no worker") from None
    return client
