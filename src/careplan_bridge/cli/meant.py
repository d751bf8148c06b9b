"""Groups of commands that name the one that was probably meant."""

import difflib

import click


class Meaning(click.Group):
    """As click's, but an unknown command is answered with the nearest one."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        known = self.list_commands(ctx)
        if args[0] not in known and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], known, n=1)
            meant = f" Did you mean {near[0]!r}?" if near else ""
            raise click.UsageError(f"There is no command {args[0]!r}.{meant}", ctx)
        return super().resolve_command(ctx, args)
