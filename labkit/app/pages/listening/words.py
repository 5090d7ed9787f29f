"""What the listening test page says at every stage, as plain data for its desk."""

from __future__ import annotations

from html import escape
from typing import Any

from labkit.app.pages.listening.state import ListeningPageState
from labkit.sound.loudness import HEARING_CAUTION

LISTEN_KEYS = ("A", "B", "X")
ANSWER_KEYS = ("1", "2", "3")


def desk_view(state: ListeningPageState, *, said: str = "", asks_to_end: bool = False) -> dict[str, Any]:
    """Return what the desk shows: words, buttons, what can be heard and answered. Nothing of it depends on the plan.

    Parameters
    ----------
    bench : ListeningPageState
    said : str
        Answer to the last thing done.
    asks_to_end : bool
        Ask whether the test shall end before all trials are answered.
    """
    view: dict[str, Any] = {
        "stage": state.stage,
        "heading": "",
        "lines": [],
        "listen": [],
        "answers": [],
        "done": 0,
        "total": 0,
        "trial": 0,
        "said": said,
        "buttons": [],
        "html": "",
        "seal": "",
        "opens_file": state.stage == "choose",
        "kept": "",
    }
    shown = {
        "choose": _choose,
        "practice": _practice,
        "trial": _trial,
        "answered": _answered,
        "result": _result,
    }[state.stage]
    view.update(shown(state))
    if asks_to_end and state.stage == "trial" and state.run is not None:
        view["lines"] = [f"End after {len(state.run.answers)} of {state.run.trials} trials? The rest stays unanswered."]
        view["buttons"] = [_button("end", "Yes, open the result", primary=True), _button("go on", "No, go on")]
    if state.run is not None:
        view["kept"] = state.run.record()
        view["seal"] = f"Sealed before the first trial: {state.run.fingerprint[:8]} …"
    return view


def against(one: str, other: str) -> str:
    """Set two names against each other, without what they begin with alike.

    >>> against("Cable length 5 m", "Cable length 10 m"), against("two pickups", "three pickups")
    ('Cable length 5 m against 10 m', 'two pickups against three pickups')
    """
    words, others = one.split(" "), other.split(" ")
    same = next((place for place, (a, b) in enumerate(zip(words, others)) if a != b), 0)
    is_one_part = same and "," not in f"{one}{other}"
    return f"{one} against {' '.join(others[same:]) if is_one_part else other}"


def _choose(state: ListeningPageState) -> dict[str, Any]:
    lines = [f"{against(*state.names)}, {state.snapshot.take}, at equal loudness."]
    if state.common:
        lines.append(f"Everything else is alike in both: {state.common}.")
    lines.append(state.level)
    lines.append(state.needed)
    if not state.seal.is_lasting:
        lines.append("This machine gives no place to keep a seal, so a test lasts only while this page is open.")
    buttons = [_button("prepare", "Make the sounds", primary=state.kept is None)]
    if state.kept is not None:
        lines.insert(0, state.offer_of_kept)
        buttons = [_button("resume", "Go on with it", primary=True), _button("forget", "Forget it"), *buttons]
    return {"heading": "What you will compare", "lines": lines, "buttons": buttons}


def _practice(state: ListeningPageState) -> dict[str, Any]:
    run = _run(state)
    begun = bool(run.answers)
    return {
        "heading": "Practice: both in the open",
        "lines": [
            HEARING_CAUTION,
            f"A is {run.names[0]}. B is {run.names[1]}. X is one of them, and you are told at once which. "
            "Practice counts for nothing; take your time.",
            f"Both have the same loudness; before that, {run.said}.",
        ],
        "listen": list(LISTEN_KEYS),
        "answers": _answers(),
        "trial": -run.practised - 1,
        "buttons": [
            _button("begin", f"Go on with trial {run.present}" if begun else "Begin the test", primary=True),
            _button("leave", "Choose again"),
        ],
    }


def _trial(state: ListeningPageState) -> dict[str, Any]:
    run = _run(state)
    return {
        "heading": f"Trial {run.present} of {run.trials}",
        "lines": ["Is X the same as A, or as B? Which rig is called A changes from trial to trial."],
        "listen": list(LISTEN_KEYS),
        "answers": _answers(),
        "done": len(run.answers),
        "total": run.trials,
        "trial": run.present,
        "buttons": [
            _button("back", "Take the last answer back", enabled=bool(run.answers)),
            _button("practise", "Practise again"),
            _button("ask", "End the test now", enabled=bool(run.answers)),
        ],
    }


def _answered(state: ListeningPageState) -> dict[str, Any]:
    run = _run(state)
    return {
        "heading": "All trials are answered",
        "lines": ["The seal is still closed. Once it is open, the answers stand."],
        "done": run.trials,
        "total": run.trials,
        "buttons": [
            _button("finish", "Open the result", primary=True),
            _button("back", "Take the last answer back"),
        ],
    }


def _result(state: ListeningPageState) -> dict[str, Any]:
    run, result = _run(state), state.result
    assert result is not None, "the stage 'result' is only reached with one"
    return {
        "heading": f"{run.names[0]} against {run.names[1]}",
        "html": result_html(result),
        "lines": [
            f"Before levels were matched, {run.said}; A is the first here, B the second.",
            "The result file holds the plan and its nonce: their SHA-256 begins as what was shown all along.",
        ],
        "buttons": [_button("leave", "Another test", primary=True)],
    }


def _run(state: ListeningPageState) -> Any:
    assert state.run is not None, "every stage but the first has a test"
    return state.run


def _answers() -> list[dict[str, str]]:
    return [
        {"key": key, "label": label, "hint": hint}
        for (key, label), hint in zip(
            (("a", "X is A"), ("b", "X is B"), ("cannot tell", "Could not tell")), ANSWER_KEYS
        )
    ]


def _button(key: str, label: str, *, primary: bool = False, enabled: bool = True) -> dict[str, Any]:
    return {"key": key, "label": label, "primary": primary, "enabled": enabled}


def result_html(result: dict[str, Any]) -> str:
    """Return the outcome as a page shows it: the count, the exact p, what it means, and every trial."""
    score = result["score"]
    share = f"{100 * score['hit_rate_low']:.0f} to {100 * score['hit_rate_high']:.0f} %"
    n, k = score["decided"], score["correct"]
    numbers = (
        ("Right", f"{score['correct']} of {score['decided']}", _left_out(score)),
        ("p, exact", _p_text(score["p_value"]), "chance that guessing does at least as well"),
        ("Right in the long run", share, "95 % interval"),
    )
    cells = "".join(
        f'<div><dt>{escape(label)}</dt><dd class="lab-value">{escape(value)}</dd>'
        f'<dd class="lab-detail">{escape(detail)}</dd></div>'
        for label, value, detail in numbers
    )
    rows = "".join(_trial_row(trial) for trial in result["trials"])
    return (
        f'<dl class="lab-numbers">{cells}</dl>'
        f'<p class="lab-meaning">{escape(result["meaning"])}</p>'
        f'<p class="lab-caption">p = Σ C({n}, k) / 2<sup>{n}</sup> for k = {k} … {n} = {_p_text(score["p_value"])}; '
        "zero means that guessing never does as well, one that it always does.</p>"
        "<details><summary>Every trial</summary>"
        '<div class="lab-table-holder" tabindex="0" role="region" aria-label="Every trial">'
        '<table class="lab-trials"><thead><tr><th scope="col">Trial</th><th scope="col">A was</th>'
        '<th scope="col">B was</th><th scope="col">X was</th><th scope="col">You said</th>'
        f'<th scope="col">That was</th></tr></thead><tbody>{rows}</tbody></table></div></details>'
    )


def _p_text(p: float) -> str:
    """Write a probability so that it never reads as zero.

    >>> _p_text(0.0384063720703125), _p_text(1.52587890625e-05), _p_text(1.0)
    ('0.038', '0.000015', '1')
    """
    if p >= 0.0995:
        return f"{p:.2f}".rstrip("0").rstrip(".")
    digits = 3
    while digits < 40 and round(p, digits) < 10.0 ** (1 - digits):
        digits += 1
    return f"{p:.{digits}f}"


def _left_out(score: dict[str, Any]) -> str:
    times = score["cannot_tell"]
    if not times:
        return "decided trials"
    return f"decided trials; {'once' if times == 1 else f'{times} times'} could not tell"


def _trial_row(trial: dict[str, Any]) -> str:
    said = {"a": "X is A", "b": "X is B", "cannot tell": "could not tell", None: "not answered"}[trial["answer"]]
    verdict = (
        ""
        if trial["answer"] in (None, "cannot tell")
        else "right"
        if trial["answer"] == trial["right_answer"]
        else "wrong"
    )
    cells = "".join(f"<td>{escape(trial[role])}</td>" for role in ("a", "b", "x"))
    return f"<tr><th scope='row'>{trial['trial']}</th>{cells}<td>{said}</td><td>{verdict}</td></tr>"
