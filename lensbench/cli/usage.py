"""How the program is used: help for any command, and wrong usage in one sentence with the nearest right word.

What typer keeps of its parser (classes of errors, groups of commands) it keeps in different places, version by version;
so errors are known by their names here, and commands by what they can do.
"""

from collections.abc import Iterator
from typing import Annotated, Any, Final

import typer

from lensbench.cli.options import argument
from lensbench.cli.output import say
from lensbench.model.errors import SettingError
from lensbench.storage.text import nearest

NAME: Final = "lensbench"


class Commands(typer.core.TyperGroup):
    """Commands of which an unknown one is answered with the nearest, also where another group holds it."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Command that the first word names; a SettingError where there is none."""
        if not ctx.resilient_parsing and args[0] not in self.commands and not args[0].startswith("-"):
            raise SettingError(_no_command(self, ctx.command_path, args[0]))
        return super().resolve_command(ctx, args)


def _no_command(group: Any, path: str, word: str) -> str:
    inner = {
        name: f"{path} {outer} {name}"
        for outer, command in group.commands.items()
        for name in getattr(command, "commands", {})
    }
    paths = inner | {name: f"{path} {name}" for name in group.commands}
    near = word if word in inner else nearest(word, paths)
    hint = f"did you mean `{paths[near]}`?" if near else f"`{path} --help` lists them all"
    return f"there is no command «{word}»; {hint}"


def wrong_usage(error: Any) -> str:
    """What was wrong about a command line, in one sentence, from the parser's error."""
    context = error.ctx
    path = context.command_path if context else NAME
    return f"{_cause(error)} (`{path} --help` says more)"


def _cause(error: Any) -> str:
    param = getattr(error, "param", None)
    shown = getattr(param, "opts", [""])[0]
    name = shown if shown.startswith("--") else getattr(param, "metavar", None) or shown
    match type(error).__name__:
        case "NoSuchOption":
            return _no_option(error)
        case "MissingParameter":
            return f"{name} is missing"
        case "BadParameter" if param is not None:
            return f"{name}: {_lowered(error.message.removeprefix('Value error, '))}"
    return _lowered(error.format_message())


def _no_option(error: Any) -> str:
    """Offer the nearest option of the command, else say which command has it."""
    wanted, context = error.option_name, error.ctx
    if near := nearest(wanted, _options_of(context.command)):
        return f"there is no option {wanted}; did you mean {near}?"
    owners = [
        path for path, command in _all_commands(context.find_root().command) if wanted in _options_of(command)
    ]
    if owners:
        return f"{context.command_path} has no option {wanted}; `{owners[0]}` has it"
    return f"there is no option {wanted}"


def _options_of(command: Any) -> list[str]:
    return [
        name
        for option in command.params
        if not getattr(option, "hidden", False)
        for name in option.opts
        if name.startswith("--")
    ]


def _all_commands(group: Any, path: str = NAME) -> Iterator[tuple[str, Any]]:
    for name, command in group.commands.items():
        yield f"{path} {name}", command
        yield from _all_commands(command, f"{path} {name}") if hasattr(command, "commands") else ()


def _lowered(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:].rstrip(".")


def show_help(
    ctx: typer.Context,
    words: Annotated[list[str] | None, argument("COMMAND", "Command to tell of; without it, all.")] = None,
) -> None:
    """Say how a command is used.

    Example: lensbench help library advise
    """
    context: Any = ctx.find_root()
    for word in words or ():
        command = getattr(context.command, "commands", {}).get(word)
        if command is None:
            raise SettingError(_no_command(context.command, context.command_path, word))
        context = type(context)(command, info_name=word, parent=context)
    say(*context.get_help().split("\n"))
