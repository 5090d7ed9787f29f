"""What survives of a listening test when the page or the kernel goes."""

from __future__ import annotations

import json

import pytest

from labkit.app.pages.listening.run import read_record
from labkit.app.pages.listening.seal import Seal
from labkit.app.pages.listening.state import ListeningPageState
from labkit.core.errors import InputError


class TestGoingOnLater:
    def test_a_kept_test_goes_on_in_another_kernel(self, testing, seal):
        testing.answer("a", 1)
        testing.answer("cannot tell", 2)
        record = testing.run.record()
        later = ListeningPageState(seal=Seal(seal._folder))
        later.found(record)
        assert "2 of 16 answered" in later.offer_of_kept
        later.resume()
        assert later.run.present == 3
        assert later.run.fingerprint == testing.run.fingerprint
        assert later.run.trial_sounds() == testing.run.trial_sounds()

    def test_the_record_says_nothing_about_the_plan(self, testing):
        assert set(json.loads(testing.run.record())) == {
            "kind", "format", "test", "comparison", "rigs", "trials", "fingerprint", "practised", "answers", "opened",
        }  # fmt: skip

    def test_another_machine_cannot_go_on(self, testing, tmp_path):
        later = ListeningPageState(seal=Seal(tmp_path / "elsewhere"))
        with pytest.raises(InputError, match="sealed on another machine"):
            later.resume(testing.run.record())
        assert later.stage == "choose"
        assert later.query == ""

    def test_an_opened_test_cannot_be_answered_again(self, testing, seal):
        for _ in range(15):
            testing.answer("a", testing.run.present)
        unopened = testing.run.record()
        testing.answer("a", 16)
        testing.finish()
        opened = testing.run.record()
        with pytest.raises(InputError, match="opened already"):
            ListeningPageState(seal=Seal(seal._folder)).resume(unopened)
        again = ListeningPageState(seal=Seal(seal._folder))
        again.resume(opened)
        assert again.stage == "result"
        assert again.result["score"] == testing.result["score"]

    @pytest.mark.parametrize(
        "change",
        [
            {"kind": "something"},
            {"format": 2},
            {"test": "../../../etc/passwd"},
            {"test": 7},
            {"trials": 10**9},
            {"trials": True},
            {"answers": [["c", "2026-01-02T03:04:05Z"]]},
            {"answers": [["a", "<script>"]]},
            {"answers": [["a", "2026-01-02T03:04:05Z"]] * 17},
            {"answers": [[["a"], "2026-01-02T03:04:05Z"]]},
            {"rigs": ["one"]},
            {"fingerprint": "x"},
            {"comparison": None},
        ],
    )
    def test_a_damaged_record_is_refused_in_a_sentence(self, testing, change):
        data = {**json.loads(testing.run.record()), **change}
        with pytest.raises(InputError):
            read_record(json.dumps(data))

    @pytest.mark.parametrize("text", ["", "{", "[]", "null", "[" * 50_000, "x" * 70_000, '{"kind": NaN}'])
    def test_text_that_is_no_record_is_refused(self, text):
        with pytest.raises(InputError):
            read_record(text)

    def test_damage_kept_by_the_browser_is_not_offered(self, listening):
        listening.found("{")
        assert listening.kept is None

    def test_a_record_whose_rig_is_gone_is_refused(self, testing, seal):
        data = json.loads(testing.run.record())
        data["comparison"] = "v=1&rig=gone"
        with pytest.raises(InputError, match="cannot go on: There is no rig"):
            ListeningPageState(seal=seal).resume(json.dumps(data))
