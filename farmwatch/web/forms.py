"""What people can say by page: plain forms that work without script, each for one command.

The fields are those of `/say`; the commands are those of `words.model.COMMANDS`.
"""

from functools import lru_cache

from farmwatch.web.markup import NOTHING, Html, fill, join

SHELVE_MIN: tuple[tuple[int, str], ...] = ((30, "30 min"), (120, "2 hours"), (480, "8 hours"))


def _form(command: str, about: str, value: str, button: str, *, more: Html = NOTHING, kind: str = "") -> Html:
    return fill(
        '<form class="say {kind}" method="post" action="/say"><input type="hidden" name="command" value="{command}">'
        '<input type="hidden" name="{about}" value="{value}">{more}<button class="{kind}">{button}'
        '<span class="unseen">: {value}</span></button></form>',
        command=command, about=about, value=value, button=button, more=more, kind=kind,
    )  # fmt: skip


@lru_cache(maxsize=512)
def cleared(machine: str) -> Html:
    """The button beside a bed that waits."""
    return _form("cleared", "machine", machine, "Cleared", kind="act")


@lru_cache(maxsize=512)
def uncleared(machine: str) -> Html:
    """The button that takes "cleared" back."""
    return _form("uncleared", "machine", machine, "Undo")


@lru_cache(maxsize=4_096)
def machine(name: str, state: str) -> Html:
    """What can be said about a machine as it is now."""
    if state == "out_of_service":
        return _form("in_service", "machine", name, "Back in service")
    parts = []
    if state == "cooling":
        parts.append(_form("cleared", "machine", name, "Cleared already"))
    elif state == "waiting":
        parts.append(cleared(name))
    elif state in ("unknown", "off", "idle", "fault"):
        parts.append(_form("cleared", "machine", name, "Bed is clear"))
    if state in ("heating", "printing", "paused", "fault", "unknown"):
        parts += [_form("failed", "machine", name, "Build failed"), _form("cancelled", "machine", name, "Cancelled")]
    worth = _valued(name) if state in ("heating", "printing", "paused") else NOTHING
    return fill('<div class="row">{parts}</div>{worth}{started}{out}', parts=join(parts), worth=worth,
                started=_started(name), out=_out(name))  # fmt: skip


@lru_cache(maxsize=512)
def not_over(machine: str) -> Html:
    """The button beside a build that the plug took to be over."""
    return _form("not_over", "machine", machine, "Not over, it goes on")


def plug_level(machine: str, options: Html) -> Html:
    """Correct a level that the plug is judged by; without watts it is learnt again."""
    more = fill(
        '<label>Level <select name="level">{options}</select></label>'
        '<label>Watts <input name="value" type="number" min="0" max="6000" step="any" inputmode="decimal"></label>',
        options=options,
    )
    return _form("plug_level", "machine", machine, "Set level (empty: learn it again)", more=more)


@lru_cache(maxsize=1_024)
def ask(machine: str, action: str, kind: str) -> Html:
    """The button that asks for an action; what it leads to asks again."""
    return fill(
        '<form method="post" action="/act"><input type="hidden" name="machine" value="{machine}">'
        '<input type="hidden" name="action" value="{action}"><button>{kind} ({action})…'
        '<span class="unseen">: {machine}</span></button></form>',
        machine=machine, action=action, kind=kind.capitalize(),
    )  # fmt: skip


def _valued(name: str) -> Html:
    more = fill(
        '<label>Worth, as minutes of work (0: nothing; empty: what is in it) '
        '<input name="value" type="number" min="0" max="1000000" step="any"></label>'
    )
    return _fold("valued", name, "What it is worth saving in an outage", more, "Say so")


def _started(name: str) -> Html:
    more = fill(
        '<label>Job <input name="job" maxlength="120" autocomplete="off"></label>'
        '<label>Minutes planned <input name="planned_min" type="number" min="1" max="20160"></label>'
        '<label>Material <input name="material" maxlength="40" autocomplete="off"></label>'
    )
    return _fold("started", name, "A build was started by hand", more, "Started")


def _out(name: str) -> Html:
    more = fill('<label>Why <input name="reason" maxlength="120" autocomplete="off" required></label>')
    return _fold("out_of_service", name, "Take it out of service", more, "Out of service")


def _fold(command: str, name: str, summary: str, more: Html, button: str) -> Html:
    form = _form(command, "machine", name, button, more=more, kind="wide")
    return fill(
        '<details data-key="{command}-{name}"><summary>{summary}</summary>{form}</details>',
        command=command, name=name, summary=summary, form=form,
    )  # fmt: skip


@lru_cache(maxsize=512)
def alarm(key: str, state: str) -> Html:
    """Take charge of an alarm, or put it aside."""
    if state == "shelved":
        return _form("unshelved", "alarm", key, "Let it speak again")
    if state in ("suppressed", "out_of_service"):
        return NOTHING
    parts = []
    if state in ("latched", "latched_acknowledged"):
        parts.append(_form("reset", "alarm", key, "The reason was found"))
    if state not in ("acknowledged", "latched_acknowledged"):
        parts.append(_form("acknowledged", "alarm", key, "I take charge"))
    times = join(fill('<option value="{minutes}">{words}</option>', minutes=minutes, words=words)
                 for minutes, words in SHELVE_MIN)  # fmt: skip
    more = fill(
        '<label>For <select name="minutes">{times}</select></label>'
        '<label>Why <input name="reason" maxlength="120" autocomplete="off"></label>', times=times,
    )  # fmt: skip
    shelve = fill(
        '<details data-key="shelve-{key}"><summary>Put it aside</summary>{form}</details>',
        key=key, form=_form("shelved", "alarm", key, "Put aside", more=more, kind="wide"),
    )  # fmt: skip
    return fill('<div class="row">{parts}</div>{shelve}', parts=join(parts), shelve=shelve)
