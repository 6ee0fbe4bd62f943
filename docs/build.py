"""Writes the reference pages of docs/ from schemas/ and from the commands' own help.

python docs/build.py          write them
python docs/build.py --check  exit 1 when one is stale
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import click

from audit.checks.kit.registry import all_checks
from audit.cli.main import COMMANDS, cli
from audit.tables import channel_rows, threshold_rows, toml_table

DOCS = Path(__file__).parent
GENERATED = (
    "<!-- Written by docs/build.py from schemas/ and the program itself. Do not edit. -->\n\n"
)


def tables_page() -> str:
    """Every table and column of the archive with unit and meaning."""
    out = []
    for name, table in toml_table("archive.toml").items():
        head = "| column | type | unit | what it is |\n| --- | --- | --- | --- |"
        out.append(f"### `{name}`\n\n{table['about']}\n\n{head}")
        out += [
            f"| {c} | {row['type']} | {row.get('unit', '')} | {row['means']} |"
            for c, row in table["columns"].items()
        ]
        out.append("")
    return "\n".join(out)


def checks_page() -> str:
    """Every check, its needs, its codes with limits and sources, likely causes, what to look at."""
    out = ["# Checks and finding codes\n", GENERATED]
    out.append(
        "A check's score is 100 where there is nothing to see, 70 at the watch limit, 40 at the "
        "hold limit.\n"
    )
    out.append('Limits are inclusive. A car file may override each: `[thresholds."code"]`.\n\n')
    for i, check in enumerate(all_checks()):
        out += _check(check, part=i > 0 and all_checks()[i - 1].NAME == check.NAME)
    out.append("## sensors\n\nWhat a channel may not be believed for.\n\n")
    out += [
        _code(code)
        for code in sorted(toml_table("causes.toml")["code"])
        if code.startswith("sensor.")
    ]
    return "".join(out)


def _check(check: Any, *, part: bool) -> list[str]:
    """One check, or a further part of the one before it."""
    doc = (check.__doc__ or "").strip()
    needs = ", ".join(check.DECLARED.needs) or "nothing but the log"
    helped = ", ".join(check.DECLARED.helped_by) or "nothing else"
    title = "" if part else f"## {check.NAME}\n\n"
    head = (
        f"{title}{doc}\n\nNeeds: {needs}, {check.DECLARED.least_rate_hz:g} samples a second or "
        f"more. Helped by: {helped}.\n\n"
    )
    return [head, *[_code(code) for code in check.CODES]]


def _code(code: str) -> str:
    out = [f"### `{code}`\n\n"]
    rows = [r for r in threshold_rows() if r["code"] == code]
    if rows:
        out.append(
            "| measure | unit | watch | hold | stop | why | source |\n| --- | --- | --- | --- | "
            "--- | --- | --- |\n"
        )
        for r in rows:
            levels = " | ".join(_level(r.get(k)) for k in ("watch", "hold", "stop"))
            out.append(
                f"| {r['measure']} | {r['unit']} | {levels} | {r['why']} | {r['source']} |\n"
            )
        out.append("\n")
        out += [_varies(r) for r in rows]
    cause = toml_table("causes.toml")["code"].get(code, {})
    if cause:
        out.append("Likely, most likely first: " + "; ".join(cause["likely"]) + ".\n\n")
        out.append("Look at: " + "; ".join(cause["look_at"]) + ".\n\n")
    return "".join(out)


def _level(level: Any) -> str:
    """A level, or those at each point of what the row goes by."""
    if level is None:
        return "–"
    return ", ".join(f"{x:g}" for x in level) if isinstance(level, list) else f"{level:g}"


PARTS = {"e85": "ethanol 85", "methanol": "methanol", "direct": "direct injection"}


def _varies(row: Any) -> str:
    """In words: by what a row's levels go, and what differs by fuel and injection."""
    said = []
    if "by" in row:
        points = ", ".join(f"{x:g}" for x in row["at"])
        said.append(f"levels at {points} {row['by'].replace('_', ' ')}, straight lines between")
    for key, name in PARTS.items():
        part = row.get(key)
        if part is None:
            continue
        levels = [f"{k} {part[k]:g}" for k in ("watch", "hold", "stop") if k in part]
        more = f"{part['add']:+g}" if "add" in part else ", ".join(levels)
        said.append(f"{name}: {more}" + (f" ({part['why']})" if "why" in part else ""))
    if any(key in row for key in ("e85", "methanol")):
        said.append("ethanol shares by line between petrol and ethanol 85")
    return f"`{row['measure']}`: {'; '.join(said)}.\n\n" if said else ""


def channels_page() -> str:
    """The canonical channels with their units, ranges and rails."""
    out = [
        "# Channels\n",
        GENERATED,
        "Names follow SAE J1979 / J1930 parameter names where those have one.\n\n",
    ]
    out.append(
        "| channel | unit | believable range | doubtful outside | fastest change per s |\n| --- | "
        "--- | --- | --- | --- |\n"
    )
    for row in channel_rows().values():
        span = f"{row.range[0]:g} to {row.range[1]:g}"
        usual = f"{row.usual[0]:g} to {row.usual[1]:g}" if row.usual else "–"
        out.append(f"| {row.name} | {row.unit} | {span} | {usual} | {row.slew or '–'} |\n")
    return "".join(out)


def commands_page() -> str:
    """The help text of every command."""
    out = ["# Commands\n", GENERATED]
    context = click.Context(cli, info_name="pullaudit", max_content_width=80, terminal_width=80)
    out.append(f"```\n{cli.get_help(context)}\n```\n\n")
    for name in COMMANDS:
        command = cli.get_command(context, name)
        if command is not None:
            inner = click.Context(command, info_name=f"pullaudit {name}", terminal_width=80)
            out.append(f"## {name}\n\n```\n{command.get_help(inner)}\n```\n\n")
    return "".join(out)


def archive_page() -> str:
    """The page on the archive with its tables from the schema."""
    text = (DOCS / "archive.md").read_text(encoding="utf-8")
    head, rest = text.split("<!-- tables -->\n", 1)
    return f"{head}<!-- tables -->\n{tables_page()}\n<!-- end -->{rest.split('<!-- end -->', 1)[1]}"


PAGES = {
    "checks.md": checks_page,
    "channels.md": channels_page,
    "commands.md": commands_page,
    "archive.md": archive_page,
}


def main() -> int:
    """Write or compare the pages; 1 when --check finds a stale one."""
    stale = []
    for name, build in PAGES.items():
        path, text = DOCS / name, build().rstrip("\n") + "\n"
        if "--check" in sys.argv:
            stale += [] if path.exists() and path.read_text(encoding="utf-8") == text else [name]
        else:
            path.write_text(text, encoding="utf-8")
    if stale:
        print(f"stale: {', '.join(stale)}. Run python docs/build.py.")
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main())
