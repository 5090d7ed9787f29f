"""Who can reach the lab, under which name, and what it says about that."""

from __future__ import annotations

import re
import socket

import pytest
from click.testing import CliRunner

from labkit.app.server import door as doors
from labkit.app.server.door import Door, hub_door, machine_addresses, room_door
from labkit.app.server.server import KERNEL_IDLE_S, ServerError, server_config
from labkit.cli.main import main
from labkit.cli.open_command import open_lab
from labkit.core.errors import InputError


def refused(door: Door, name: str) -> bool:
    return re.match(door.foreign_names, name) is not None


class TestLocal:
    def test_the_usual_door_is_this_machine_without_a_token(self):
        config = server_config(port=1)
        assert config.Voila.ip == "127.0.0.1"
        assert config.Voila.token == ""
        assert config.Voila.base_url == "/"
        assert Door().link(8866) == "http://127.0.0.1:8866/"
        assert Door().told(8866) == []

    @pytest.mark.parametrize(
        "name", ["evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "1270001", ""]
    )
    def test_other_names_are_refused(self, name):
        assert refused(Door(), name)

    @pytest.mark.parametrize("name", ["localhost", "127.0.0.1", "LOCALHOST", "LocalHost"])
    def test_its_own_names_are_not(self, name):
        assert not refused(Door(), name)

    def test_the_time_after_which_kernels_end_can_be_set(self):
        assert server_config(port=1).MappingKernelManager.cull_idle_timeout == KERNEL_IDLE_S
        config = server_config(port=1, kernel_idle_s=6).MappingKernelManager
        assert (config.cull_idle_timeout, config.cull_interval) == (6, 2)


class TestRoom:
    def test_a_room_always_needs_a_token_and_a_new_one_each_time(self):
        one, other = room_door("127.0.0.1"), room_door("127.0.0.1")
        assert one.token != other.token
        # 128 bits, hexadecimal: nobody guesses it
        assert re.fullmatch(r"[0-9a-f]{32}", one.token)
        assert server_config(port=1, door=one).Voila.token == one.token

    def test_only_the_one_address_is_bound_and_it_is_told_in_words(self):
        door = room_door("127.0.0.1", most_pages=3)
        assert server_config(port=1, door=door).Voila.ip == "127.0.0.1"
        told = " ".join(door.told(8866))
        assert "bound to 127.0.0.1, port 8866" in told
        assert "this machine only" in told
        assert "3 at most, 3 at one address" in told
        assert "Nothing is encrypted" in told
        assert "0.0.0.0" not in told

    def test_the_link_carries_the_token(self):
        door = room_door("127.0.0.1")
        assert door.link(80) == f"http://127.0.0.1:80/?token={door.token}"

    def test_an_address_that_the_machine_does_not_have_is_refused_with_those_it_has(self):
        # RFC 5737 keeps 203.0.113.0/24 for documents
        with pytest.raises(InputError, match=r"no address '203\.0\.113\.7'; it has .*127\.0\.0\.1"):
            room_door("203.0.113.7")

    def test_every_interface_at_once_is_not_offered(self):
        with pytest.raises(InputError):
            room_door("0.0.0.0")

    def test_where_several_addresses_could_be_meant_one_must_be_named(self, monkeypatch):
        monkeypatch.setattr(doors, "_outward_address", lambda: None)
        monkeypatch.setattr(doors, "machine_addresses", lambda: {"127.0.0.1": "lo", "10.0.0.2": "a", "10.1.0.2": "b"})
        with pytest.raises(InputError, match=r"--address: 10\.0\.0\.2 and 10\.1\.0\.2"):
            room_door()
        monkeypatch.setattr(doors, "machine_addresses", lambda: {"127.0.0.1": "lo", "10.0.0.2": "a"})
        assert room_door().ip == "10.0.0.2"

    def test_the_address_towards_the_network_is_taken_where_there_is_one(self, monkeypatch):
        monkeypatch.setattr(doors, "_outward_address", lambda: "10.1.0.2")
        monkeypatch.setattr(doors, "machine_addresses", lambda: {"10.0.0.2": "a", "10.1.0.2": "b"})
        assert room_door().ip == "10.1.0.2"

    def test_the_machines_own_name_is_answered_and_a_foreign_one_is_not(self):
        door = room_door("127.0.0.1")
        assert not refused(door, socket.gethostname().lower())
        assert refused(door, "evil.example")

    def test_addresses_of_this_machine_hold_the_loopback(self):
        assert "127.0.0.1" in machine_addresses()


class TestHub:
    def test_path_and_name_of_the_public_address_are_taken(self):
        door = hub_door("https://hub.example/user/one/labkit")
        config = server_config(port=8866, door=door)
        assert config.Voila.base_url == "/user/one/labkit/"
        assert config.Voila.ip == "127.0.0.1"
        assert config.Voila.tornado_settings["allow_origin"] == "https://hub.example"
        assert not refused(door, "hub.example")
        assert refused(door, "evil.example")
        assert door.link(8866) == "https://hub.example/user/one/labkit/"

    @pytest.mark.parametrize(
        "address",
        [
            "hub.example",
            "ftp://hub.example/",
            "https:///x",
            "https://a@hub.example/",
            "https://hub.example/?x=1",
            "http://[",
            "",
        ],
    )
    def test_what_is_no_address_is_refused(self, address):
        with pytest.raises(InputError, match="is not an address such as"):
            hub_door(address)


class TestCommand:
    @pytest.mark.parametrize(
        ("arguments", "told"),
        [
            (["--address", "127.0.0.1"], "belong to --share"),
            (["--most-pages", "3"], "belong to --share"),
            (["--most-pages-each", "3"], "belong to --share"),
            (["--share", "--public-address", "https://hub.example/"], "exclude each other"),
            (["--share", "--address", "nowhere"], "has no address 'nowhere'"),
        ],
    )
    def test_options_that_do_not_go_together_are_told(self, arguments, told, capsys):
        assert main(["open", *arguments]) == 2
        assert told in capsys.readouterr().err

    def test_sharing_reaches_the_server(self, monkeypatch):
        seen = {}
        monkeypatch.setattr("labkit.app.server.server.serve", lambda **settings: seen.update(settings))
        result = CliRunner().invoke(
            open_lab,
            ["--share", "--address", "127.0.0.1", "--most-pages", "6", "--most-pages-each", "2", "--no-browser"],
        )
        assert result.exit_code == 0, result.output
        assert seen["door"].token
        assert (seen["door"].most_pages, seen["door"].most_pages_each) == (6, 2)

    def test_without_sharing_nothing_but_this_machine(self, monkeypatch):
        seen = {}
        monkeypatch.setattr("labkit.app.server.server.serve", lambda **settings: seen.update(settings))
        CliRunner().invoke(open_lab, ["--no-browser"])
        assert seen["door"] == Door()

    def test_a_taken_port_names_the_address(self):
        from labkit.app.server.server import _claim_port

        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            taken.listen()
            with pytest.raises(ServerError, match=r"on 127\.0\.0\.1 cannot be used"):
                _claim_port(taken.getsockname()[1], "127.0.0.1")
