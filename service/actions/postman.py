"""The thread that works the outbox, and the same work done once in the foreground."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from datetime import timedelta
from threading import Event, Thread

import structlog

from service.actions import sending
from service.actions.sending import Taken
from service.mailing import Line, Outcome, Trouble
from service.refusals import Refusal
from service.site import Site
from service.store.turns import MAILING, Turn, turn

LOOK_EVERY = 5.0  # seconds between two looks into the outbox
TRY_FOR_THE_TURN_EVERY = 15.0
AFTER_A_FAULT = 30.0
SECONDS_TO_FINISH = 8.0  # for the mail that is being given to the server when it is time to stop
# While the server takes no mail: how long until it is asked again.
PAUSES = tuple(timedelta(minutes=minutes) for minutes in (1, 2, 5, 15))
log = structlog.get_logger("furrowslice.mail")


@dataclass
class Round:
    """Works the outbox until nothing is due, within the settings' pace.

    Attributes
    ----------
    site
        Whose outbox it is.
    stopping
        Set when it is time to stop.
    """

    site: Site
    stopping: Event = field(default_factory=Event)
    line: Line = field(init=False)
    _unsettled: list[tuple[Taken, Outcome]] = field(default_factory=list, init=False)
    _troubles: int = field(default=0, init=False)
    _next: float = field(default=0.0, init=False)

    def __post_init__(self) -> None:
        self.line = Line(self.site.settings)

    def work(self, turn_held: Callable[[], bool]) -> Counter[str]:
        """Send what is due; returns how many mails came to which end.

        Parameters
        ----------
        turn_held
            Asked before each mail whether this process still has the turn.
        """
        done: Counter[str] = Counter()
        with closing(self.line):
            while not self.stopping.is_set() and turn_held():
                self._settle_all()
                if not sending.is_any_due(self.site) or not self._is_open():
                    break
                self._keep_pace()
                if self.stopping.is_set() or (taken := sending.take(self.site)) is None:
                    break
                outcome = self.line.send(taken.message)
                done[outcome.what] += 1
                self._unsettled.append((taken, outcome))
                self._settle_all()
                if outcome.what == "trouble":
                    self._wait_all(Trouble(outcome.trouble or "sender-refused", outcome.answer))
                    break
        return done

    def _settle_all(self) -> None:
        """Write down what has become of mails; as long as that fails, no other mail is sent."""
        while self._unsettled:
            sending.settle(self.site, *self._unsettled[0])
            del self._unsettled[0]

    def _is_open(self) -> bool:
        try:
            self.line.open()
        except Trouble as trouble:
            if not self.stopping.is_set():
                self._wait_all(trouble)
            return False
        self._troubles = 0
        return True

    def _wait_all(self, trouble: Trouble) -> None:
        pause = PAUSES[min(self._troubles, len(PAUSES) - 1)]
        self._troubles += 1
        sending.put_all_off(self.site, trouble, pause)

    def _keep_pace(self) -> None:
        """Wait until the next mail may go."""
        left = self._next - time.monotonic()
        if left > 0:
            self.stopping.wait(left)
        self._next = time.monotonic() + 60 / self.site.settings.mails_per_minute


def send_now(site: Site) -> Counter[str] | None:
    """Send what is due, once, in the foreground; None where another process has the turn."""
    with turn(site.database.engine, MAILING) as held:
        if held is None:
            return None
        sending.recover(site)
        return Round(site).work(held.is_held)


class Postman:
    """Sends mail in the background of a server. Several servers on one database: only one of them does.

    Parameters
    ----------
    site
        Whose outbox it is; without mail settings nothing is started.
    """

    def __init__(self, site: Site) -> None:
        self._site = site
        self._stopping = Event()
        self._round: Round | None = None
        self._thread: Thread | None = None

    def start(self) -> None:
        """Begin, where mail is set up."""
        if self._site.settings.sends_mail:
            # A daemon: a server that must end does, even where a mail server hangs. What was being sent is
            # then held, as after a kill.
            self._thread = Thread(target=self._run, name="postman", daemon=True)
            self._thread.start()

    def stop(self, seconds: float = SECONDS_TO_FINISH) -> None:
        """Finish the mail that is being sent, and end; a mail server that hangs is left."""
        self._stopping.set()
        if self._thread is None:
            return
        self._thread.join(seconds)
        if self._thread.is_alive() and self._round is not None:
            self._round.line.give_up()
            self._thread.join(seconds)

    def _run(self) -> None:
        while not self._stopping.is_set():
            pause = TRY_FOR_THE_TURN_EVERY
            try:
                with turn(self._site.database.engine, MAILING) as held:
                    if held is not None:
                        self._work(held)
            except Refusal as refusal:  # the database does not answer, or its disk is full
                log.warning("mail waits", trouble=type(refusal).__name__)
            except Exception:  # whatever it is: mail must go on when it has passed
                log.exception("mail")
                pause = AFTER_A_FAULT
            self._stopping.wait(pause)

    def _work(self, held: Turn) -> None:
        sending.recover(self._site)
        # Kept as long as we run: what it could not write down yet is known to it alone.
        self._round = self._round or Round(self._site, self._stopping)
        while not self._stopping.is_set() and held.is_held():
            self._round.work(held.is_held)
            self._stopping.wait(LOOK_EVERY)
