from click.testing import CliRunner

from audit.cli.main import cli
from audit.errors import UsageError


def test_an_open_address_without_a_token_is_refused(tmp_path):
    result = CliRunner().invoke(cli, ["serve", "--archive", str(tmp_path), "--host", "0.0.0.0"])
    assert isinstance(result.exception, UsageError) and "--token" in str(result.exception)


def test_a_short_token_from_the_environment_is_refused(tmp_path):
    result = CliRunner().invoke(
        cli,
        ["serve", "--archive", str(tmp_path), "--host", "0.0.0.0"],
        env={"PULLAUDIT_TOKEN": "short"},
    )
    assert isinstance(result.exception, UsageError) and "at least 16" in str(result.exception)


def test_an_address_that_is_not_ours_is_a_sentence(tmp_path):
    args = [
        "serve",
        "--archive",
        str(tmp_path),
        "--host",
        "203.0.113.7",
        "--token",
        "x" * 20,
        "--port",
        "0",
    ]  # TEST-NET-3, RFC 5737
    result = CliRunner().invoke(cli, args)
    assert isinstance(result.exception, UsageError) and "cannot listen there" in str(
        result.exception
    )
