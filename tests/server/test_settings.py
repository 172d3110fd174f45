"""server/settings.py: what the server is told."""

from pathlib import Path

import pytest

from caller.errors import Refused
from server.settings import DEFAULT_PORT, read_settings


def test_it_comes_bound_to_this_machine_alone() -> None:
    settings = read_settings({})
    assert (settings.host, settings.port) == ("127.0.0.1", DEFAULT_PORT)
    assert settings.url() == f"http://127.0.0.1:{DEFAULT_PORT}"
    assert (settings.web_dir / "pages").is_dir()


def test_the_command_line_outranks_the_environment(tmp_path: Path) -> None:
    environ = {"SWINGOFF_HOST": "0.0.0.0", "SWINGOFF_PORT": "9000", "SWINGOFF_DATA": str(tmp_path / "env")}
    settings = read_settings(environ, port=9001)
    assert (settings.host, settings.port, settings.data_dir) == ("0.0.0.0", 9001, tmp_path / "env")


def test_links_for_phones_carry_the_public_url_if_there_is_one() -> None:
    settings = read_settings({"SWINGOFF_PUBLIC_URL": "https://Race.example.org/"})
    assert settings.url() == "https://Race.example.org"
    assert "race.example.org" in settings.host_names


def test_links_for_phones_never_carry_the_address_that_means_all() -> None:
    url = read_settings({}, host="0.0.0.0").url()
    assert "0.0.0.0" not in url


@pytest.mark.parametrize(
    ("environ", "sentence"),
    [
        ({"SWINGOFF_PORT": "lots"}, "setting, SWINGOFF_PORT: found 'lots'; expected a number from 0 to 65535"),
        ({"SWINGOFF_PORT": "70000"}, "setting, SWINGOFF_PORT: found '70000'; expected a number from 0 to 65535"),
        *(
            (
                {"SWINGOFF_PUBLIC_URL": url},
                f"setting, public URL: found '{url}'; expected one like https://race.example.org",
            )
            for url in (
                "http://[",
                "https://race.example.org:many",
                "https://race example.org",
                "https://me@race.example",
            )
        ),
        (
            {"SWINGOFF_PUBLIC_URL": "race.example.org"},
            "setting, public URL: found 'race.example.org'; expected one like https://race.example.org",
        ),
    ],
)
def test_a_setting_that_is_off_is_told_in_a_sentence(environ: dict[str, str], sentence: str) -> None:
    with pytest.raises(Refused) as refused:
        read_settings(environ)
    assert str(refused.value) == sentence
