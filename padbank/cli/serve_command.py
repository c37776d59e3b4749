"""``padbank serve``."""

from __future__ import annotations

import sys
import webbrowser

import click

from padbank.cli.common import say
from padbank.store.library import choose_folder


@click.command("serve")
@click.option("--port", type=click.IntRange(1, 65535), help="The port to listen on; else 8808, or a free one.")
@click.option("--share", is_flag=True, help="Let other screens in this network in, each by a one-time address.")
@click.option("--no-browser", is_flag=True, help="Don't open the page in a browser.")
@click.pass_context
def command(ctx: click.Context, port: int | None, share: bool, no_browser: bool) -> int:
    """The page: the whole job in a browser, and the stage view beside the kit.

    It answers on this computer only. With --share it prints an address that
    opens the stage view once, on one tablet; the page makes more of them, for
    the stage view or, if you ask, for everything. Traffic in the network is
    not encrypted: share only in a network that you trust. Ctrl-C ends it.
    """
    from padbank.web.server import PageServer

    page = PageServer(choose_folder(ctx.find_root().obj), port=port, share=share)

    def started() -> None:
        click.echo(page.address)
        sys.stdout.flush()
        if share:
            invitation = page.invite()
            say(
                f"Stage view, for one tablet, once: {invitation}"
                if invitation
                else "No network was found to share in: connect one and start again."
            )
        say("Ctrl-C ends it.")
        if not no_browser:
            webbrowser.open(page.address)

    try:
        page.run(started)
    except KeyboardInterrupt:
        say("Stopped.")  # the way to end it, not an error
    return 0
