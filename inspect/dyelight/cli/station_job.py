"""From flags to a running station."""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import SettingsError
from ..settings import Settings, user_log_file
from .console import say, warn
from .log_work import log_place, units_of_settings

if TYPE_CHECKING:
    from ..station.app import Setup
    from ..station.jobs import JobSource
    from ..station.server import Address

_NEEDED = ("starlette", "uvicorn", "watchfiles")


@dataclass(frozen=True, slots=True)
class StationFlags:
    """What the command line said, besides the settings."""

    jobs: Path | None
    demo: bool
    watch: Path | None
    listen: str | None
    port: int
    names: tuple[str, ...]
    tls_cert: Path | None
    tls_key: Path | None
    folder: Path | None
    keep_days: float
    workers: int | None
    own_log: bool


def run_station(flags: StationFlags, settings: Settings) -> int:
    """Check everything that can be checked, then serve until interrupted; the exit code."""
    missing = [name for name in _NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise SettingsError(
            f"the station needs {' and '.join(missing)}, not installed here.",
            remedy='Install it with: python -m pip install "dyelight[station]"',
        )
    from ..station.server import (
        addresses_to_show,
        bound_socket,
        check_tls,
        parse_listen,
        serve,
        server_config,
        station_folder,
    )

    address = parse_listen(flags.listen, flags.port)
    check_tls(flags.tls_cert, flags.tls_key)
    setup = station_setup(flags, settings, address)
    with station_folder(setup.folder):
        listening = bound_socket(address)
        from ..station.app import make_app

        config = server_config(
            make_app(setup), setup.limits, tls_cert=flags.tls_cert, tls_key=flags.tls_key
        )
        scheme = "http" if flags.tls_cert is None else "https"
        for line in addresses_to_show(address, scheme):
            say(f"The station is at {line}")
        if not address.loopback:
            say("Open it on phone or tablet; each is let in once by a code that appears here.")
            if scheme == "http":
                warn(
                    "without --tls-cert whoever listens in on the net can read photos and codes: "
                    "use it on the shop's own net only."
                )
        serve(config, listening)
    return 0


def station_setup(flags: StationFlags, settings: Settings, address: Address) -> Setup:
    """What the station is made of; raises the errors of whatever cannot be used."""
    from ..runs.schedule import processors
    from ..runs.work import load_knowledge
    from ..station.app import Setup
    from ..station.server import names_of_machine

    load_knowledge(
        None if settings.rules is None else str(settings.rules),
        settings.acceptance,
        None if settings.causes is None else str(settings.causes),
        None if settings.taught is None else str(settings.taught),
    )
    if flags.watch is not None and not flags.watch.is_dir():
        raise SettingsError("the folder to watch is not there.", file=flags.watch)
    usual = user_log_file().parent / ("station-demo" if flags.demo else "station")
    folder = (flags.folder or usual).absolute()
    log = log_place(settings)
    if flags.demo and not flags.own_log:
        # panels that never were must not be counted among the shop's own
        log = str(folder / "demo-log.sqlite")
    return Setup(
        jobs=_job_source(flags, settings),
        folder=folder,
        settings=settings,
        log=log,
        units=units_of_settings(settings),
        open_to_all=address.loopback,
        names=names_of_machine(list(flags.names)),
        workers=flags.workers or processors(),
        keep_days=flags.keep_days,
        watch=None if flags.watch is None else flags.watch.absolute(),
        tell=warn,
        show_code=lambda code: say(f"Code for a new device: {code}  (once, within ten minutes)"),
    )


def _job_source(flags: StationFlags, settings: Settings) -> JobSource:
    from ..runs.manifest import Defaults
    from ..station.jobs import DemoJobs, FolderJobs

    if flags.demo == (flags.jobs is not None):
        raise SettingsError(
            "it is not clear which jobs to show.",
            remedy="Name their folder with --jobs, or try the demo panels with --demo.",
        )
    if flags.jobs is None:
        return DemoJobs()
    defaults = Defaults(settings.size_mm, settings.bleed, settings.base, settings.finish)
    source = FolderJobs(flags.jobs, defaults)
    # a list that cannot be used is told now, and later on the page
    source.all()
    return source
