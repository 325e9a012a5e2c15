"""Composition root of the alerts: asks the service for its alarms, and tells somebody.

It has the network and no relay line, controls nothing, and writes nothing that the service reads.
"""

from __future__ import annotations

import logging
import os
import select
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from bottomheat.alarm_words import helper_sentence
from bottomheat.alerts import outbox as boxes
from bottomheat.alerts.answer import parse_answer
from bottomheat.alerts.kept import Kept, Saved, count_now_s
from bottomheat.alerts.message import Message, Moment, Outcome
from bottomheat.alerts.outbox import Outbox
from bottomheat.alerts.schedule import Heard, Memory, Settings, advance
from bottomheat.alerts.words import as_sent
from bottomheat.config import Alerts, Config
from bottomheat.durations import words
from bottomheat.errors import ConfigError, DriverError
from bottomheat.model import Alarm
from bottomheat.ports import ServiceManager
from bottomheat_drivers.alarm_link import AlarmLink
from bottomheat_drivers.alert_channels import Channels, Deliveries, Result, channels_of
from bottomheat_drivers.alert_store import AlertStore, boot_id
from bottomheat_drivers.background_log import background_logging
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.config_watch import YamlConfigSource, last_accepted
from bottomheat_drivers.config_yaml import load, refusal
from bottomheat_drivers.control_socket import ProcessSignals
from bottomheat_drivers.process_lock import ProcessLock
from bottomheat_drivers.service_manager import service_manager

logger = logging.getLogger("bottomheat.alerts")

POLL_S = 10.0
LOOK_S = 0.2
"""How often children are looked at while any runs, s."""

SAVE_S = 24 * 3600.0
"""So often the count of seconds is kept where nothing else has to be.

At most so much of it is lost, and only over a power cut on a machine whose clock is not set; what
is told is kept at once.  Every time writes 78 kB to the card, journal and folder among them, which
would be 1.9 MB a day if it were once an hour.
"""

END_S = 10.0
FAILING_S = 3600.0
"""A channel that has taken nothing for so long is told of on the others, s."""


def run_alerts(config_path: Path) -> None:
    """Tell somebody of alarms until SIGTERM or SIGINT.

    Raises:
        ConfigError: no usable config, or one that names nobody to tell.
        AlreadyRunningError: another one runs on this state folder.
        DriverError: the state folder cannot be made.
    """
    signals = ProcessSignals()
    config = _start_config(config_path)
    alerts = alerts_of(config, config_path)
    folder = _state_folder(config)
    with ExitStack() as stack:
        taken = f"The alerts' folder {folder} is already in use"
        stack.callback(ProcessLock(folder / "alerts.lock", taken).close)
        stack.enter_context(background_logging())
        source = YamlConfigSource(config_path, folder)
        source.poll(force=True)
        link = AlarmLink(Path(config.run_folder) / "control.sock", SystemClock())
        AlertsLoop(config, alerts, source, link, AlertStore(folder), signals).run()


def alerts_of(config: Config, config_path: Path) -> Alerts:
    """The section of the config that says who is told.

    Raises:
        ConfigError: there is none, or it names nobody.
    """
    alerts = config.alerts
    if alerts is None:
        raise ConfigError(
            f"the config {config_path} has no alerts section, so nobody can be told of an alarm; "
            "the sample config shows one"
        )
    if not (alerts.addresses or alerts.addresses_file or alerts.command or alerts.heartbeat):
        raise ConfigError(
            f"alerts in the config {config_path} names nobody; give it addresses, an "
            "addresses_file or a command"
        )
    return alerts


def settings_of(config: Config, alerts: Alerts) -> Settings:
    """What the schedule needs of the config."""
    return Settings(
        repeat_s=alerts.repeat_min * 60.0,
        morning=alerts.morning,
        daily=alerts.daily,
        helper=helper_sentence(config, None, Alarm.DAEMON_SILENT),
    )


def _start_config(path: Path) -> Config:
    """The config file, or, where it is refused, the copy of the last one that the service took.

    A slip in the file must not silence the alarms of a service that goes on with its last config.
    """
    loaded = load(path)
    if loaded.parsed.config is not None:
        return loaded.parsed.config
    data = None if loaded.plain is None else loaded.plain.data
    log = data.get("log") if isinstance(data, dict) else None
    default: str = Config.model_fields["log"].default
    config = last_accepted(Path(log if isinstance(log, str) and log else default).parent)
    error = refusal(path, loaded.parsed)
    if config is None:
        raise error
    logger.critical("%s\nThe alerts go on with the last config that was accepted.", error)
    return config


def _state_folder(config: Config) -> Path:
    named = os.environ.get("STATE_DIRECTORY")
    folder = Path(named.split(":")[0]) if named else Path(config.log).absolute().parent / "alerts"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise DriverError(
            f"{folder}: cannot make this folder ({error.strerror}); make it, or give the alerts "
            "write access above it"
        ) from error
    return folder


class AlertsLoop:
    """Polls the service, keeps what is to be said, and hands it over."""

    def __init__(
        self,
        config: Config,
        alerts: Alerts,
        source: YamlConfigSource,
        link: AlarmLink,
        store: AlertStore,
        signals: ProcessSignals,
    ) -> None:
        self._clock = SystemClock()
        self._source = source
        self._link = link
        self._store = store
        self._signals = signals
        self._services: ServiceManager = service_manager()
        self._deliveries = Deliveries()
        self._boot = boot_id()
        kept, lost = store.load()
        self._lost = lost
        self._unsaved: str | None = None
        if lost:
            logger.critical("%s", lost)
        self._memory = Memory() if kept is None else kept.memory
        self._outbox = Outbox() if kept is None else kept.outbox
        start_s = self._clock.monotonic_s()
        count_s = count_now_s(
            None if kept is None else kept.saved, self._boot, start_s, self._wall(0.0)
        )
        self._ahead_s = count_s - start_s
        self._dirty = True
        self._saved_s = start_s
        self._heard = Heard(self._now(), from_start=True)
        self._heartbeat_s = start_s
        self._said: dict[str, Outcome] = {}
        self._channels = Channels((), None, None)
        self._take(config, alerts)

    def run(self) -> None:
        """Run until a signal asks for the end."""
        self._poll()
        next_poll_s = self._clock.monotonic_s() + POLL_S
        self._services.ready()
        logger.info("alerts: %d ways out", len(self._channels.outward))
        while not self._signals.stop_requested:
            if self._clock.monotonic_s() >= next_poll_s:
                next_poll_s = self._clock.monotonic_s() + POLL_S
                self._poll()
            for result in self._deliveries.finished(self._clock.monotonic_s()):
                self._note(result)
            if self._dirty:
                self._save()
            self._deliver()
            self._services.alive()
            left_s = max(0.0, next_poll_s - self._clock.monotonic_s())
            wait_s = min(left_s, LOOK_S) if self._deliveries.busy else left_s
            select.select([self._signals], [], [], wait_s)
            self._signals.drain()
        self._services.stopping()
        for result in self._deliveries.close(self._clock.wait, END_S):
            self._note(result)
        self._save()

    def _wall(self, now_s: float) -> Moment:
        return Moment(now_s, self._clock.wall_ms(), self._clock.synchronised())

    def _now(self) -> Moment:
        return self._wall(self._clock.monotonic_s() + self._ahead_s)

    def _take(self, config: Config, alerts: Alerts) -> None:
        self._config, self._alerts = config, alerts
        self._settings = settings_of(config, alerts)
        self._renew_channels()

    def _renew_channels(self) -> None:
        """Read the addresses again; an unreadable file leaves the ones that were known."""
        fresh = channels_of(self._alerts)
        if fresh.trouble is not None:
            if fresh.trouble != self._channels.trouble:
                logger.error("%s", fresh.trouble)
            known = {channel.key: channel for channel in self._channels.outward}
            known |= {channel.key: channel for channel in fresh.outward}
            fresh = Channels(tuple(known.values()), fresh.heartbeat, fresh.trouble)
        self._channels = fresh
        keys = {channel.key for channel in fresh.outward}
        if fresh.trouble is not None:
            keys |= set(self._outbox.channels)  # what waits for them must not be lost
        self._change(self._memory, boxes.tidy(self._outbox, keys, self._now()))

    def _poll(self) -> None:
        self._look_at_config()
        answer = parse_answer(self._link.alarms())
        now = self._now()
        memory, self._heard, messages = advance(
            self._memory, self._heard, answer, now, self._settings
        )
        for message in messages:
            logger.info("to tell: %s", message.title)
        self._change(memory, boxes.add(self._outbox, messages, tuple(self._outbox.channels)))
        monotonic_s = self._clock.monotonic_s()
        if answer is not None and monotonic_s >= self._heartbeat_s:
            self._beat(monotonic_s)
        self._dirty |= self._unsaved is not None or monotonic_s - self._saved_s >= SAVE_S
        waiting = len(self._outbox.waiting)
        heard = "service answers"
        if answer is None:
            heard = f"service silent for {words(now.now_s - self._heard.at.now_s)}"
        self._services.status(f"{heard}; {waiting} messages wait")

    def _look_at_config(self) -> None:
        change = self._source.poll(force=self._signals.take_reload())
        if change is not None and change.config is None:
            logger.error("the changed config is refused: %s", "; ".join(change.problems))
        if change is not None and change.config is not None:
            if change.config.alerts is None:
                logger.error("the changed config has no alerts section: the last one stays")
            else:
                self._take(change.config, change.config.alerts)
                return
        self._renew_channels()

    def _change(self, memory: Memory, outbox: Outbox) -> None:
        self._dirty |= memory != self._memory or outbox != self._outbox
        self._memory, self._outbox = memory, outbox

    def _deliver(self) -> None:
        known = {channel.key: channel for channel in self._channels.outward}
        unknown = set(self._outbox.channels) - set(known)
        now = self._now()
        found = boxes.due(self._outbox, self._deliveries.busy | unknown, now)
        found.sort(key=lambda due: self._outbox.channels[due.channel].failures)
        for due in found:
            channel = known[due.channel]
            failing = self._outbox.channels[due.channel].failures > 0
            if channel.address is not None and not self._deliveries.room(failing=failing):
                continue
            content = self._content(due.message, now, due.why_late, channel.key)
            now_s = self._clock.monotonic_s()
            self._deliveries.start(channel, due.message.id, content, now_s, failing=failing)

    def _content(
        self, message: Message, now: Moment, why_late: Outcome | None, key: str
    ) -> dict[str, object]:
        why = None if why_late is None else why_late.value
        title, text, late_s = as_sent(message, now, why, tuple(self._troubles(now, key)))
        return message.plain(title, text, late_s)

    def _troubles(self, now: Moment, key: str) -> Iterator[str]:
        """What is wrong with the telling itself, for the channel ``key``."""
        if self._unsaved:
            yield self._unsaved
        if self._lost:
            yield self._lost
        if self._channels.trouble:
            yield self._channels.trouble
        if self._outbox.dropped:
            yield f"{self._outbox.dropped} older messages were given up: too many waited"
        for channel in self._channels.outward:
            state = self._outbox.channels.get(channel.key)
            if channel.key == key or state is None or state.failing_since_s is None:
                continue
            for_s = now.now_s - state.failing_since_s
            if for_s >= FAILING_S and state.why is not None:
                yield f"{channel.name} has taken nothing for {words(for_s)}: {state.why.value}"

    def _beat(self, monotonic_s: float) -> None:
        heartbeat = self._channels.heartbeat
        if heartbeat is None or heartbeat.key in self._deliveries.busy:
            return
        self._deliveries.start(heartbeat, "", {}, monotonic_s)
        self._heartbeat_s = monotonic_s + self._alerts.heartbeat_every_min * 60.0

    def _note(self, result: Result) -> None:
        key, outcome = result.channel.key, result.outcome
        before = self._said.get(key, Outcome.TAKEN)
        self._said[key] = outcome
        if outcome is not before:
            if outcome is Outcome.TAKEN:
                logger.info("%s: works again", result.channel.name)
            else:
                logger.warning("%s: not taken: %s", result.channel.name, result.detail)
        if key == "heartbeat":
            if outcome is not Outcome.TAKEN:  # do not let one lost packet look like a dead Pi
                self._heartbeat_s = min(self._heartbeat_s, self._clock.monotonic_s() + 60.0)
            return
        if key not in self._outbox.channels:  # gone from the config while it was handed over
            return
        outbox = boxes.note(self._outbox, key, result.message_id, outcome, self._now())
        if outcome is Outcome.TAKEN:
            self._lost = None
            outbox = outbox.model_copy(update={"dropped": 0})
        self._change(self._memory, outbox)

    def _save(self) -> None:
        now = self._now()
        monotonic_s = self._clock.monotonic_s()
        saved = Saved(
            boot=self._boot,
            monotonic_s=monotonic_s,
            now_s=now.now_s,
            wall_ms=now.wall_ms,
            synchronised=now.synchronised,
        )
        kept = Kept(saved=saved, memory=self._memory, outbox=self._outbox)
        before, self._unsaved = self._unsaved, self._store.save(kept)
        self._dirty = False
        self._saved_s = monotonic_s
        if self._unsaved and self._unsaved != before:
            logger.error("%s", self._unsaved)


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of a test message on one way out."""

    name: str
    taken: bool
    detail: str


def try_alerts(config_path: Path) -> tuple[list[Tried], str | None]:
    """Send a test message through every way out, now; returns each with its outcome, and trouble.

    Raises:
        ConfigError: no usable config, or one that names nobody to tell.
    """
    config = _start_config(config_path)
    channels = channels_of(alerts_of(config, config_path))
    clock = SystemClock()
    now = Moment(0.0, clock.wall_ms(), clock.synchronised())
    message = Message(
        id="house/test#0",
        topic="house/test",
        kind="test",
        urgent=False,
        title="bottomheat: a test",
        text="This is a test. Nothing is wrong. If you can read it, alarms reach you.",
        made_s=now.now_s,
        made_ms=now.wall_ms,
        dated=now.synchronised,
    )
    left = [*channels.outward, *([] if channels.heartbeat is None else [channels.heartbeat])]
    order = [channel.key for channel in left]
    content = message.plain(message.title, message.text, 0.0)
    deliveries = Deliveries()
    results: list[Result] = []
    try:
        while len(results) < len(order):
            for channel in list(left):
                if channel.address is None or deliveries.room(failing=False):
                    deliveries.start(channel, message.id, content, clock.monotonic_s())
                    left.remove(channel)
            results += deliveries.finished(clock.monotonic_s())
            clock.wait(0.05)
    finally:
        deliveries.close(clock.wait, 0.0)
    results.sort(key=lambda result: order.index(result.channel.key))
    tried = [Tried(r.channel.name, r.outcome is Outcome.TAKEN, r.detail) for r in results]
    return tried, channels.trouble
