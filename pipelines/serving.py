"""The command that serves the jobs: options in, the service called; its imports wait until it is."""

import typer

from pipelines.options import DataFolder, Demo, Host, HostNames, NewToken, Port


def serve(
    port: Port = 8642,
    host: Host = "127.0.0.1",
    data: DataFolder = None,
    demo: Demo = False,
    name: HostNames = None,
    new_token: NewToken = False,
) -> None:
    """Serve the same jobs over HTTP and in the browser.

    Cars, logs, results and tracked runs lie in one folder; copy it while the service is stopped, and that is the
    backup. Needs no network. Jobs that were under way when it was stopped or killed go on at the next start.
    """
    from pipelines.service.places import Data
    from pipelines.service.server import data_folder
    from pipelines.service.server import serve as run
    from pipelines.service.settings import Settings

    settings = Settings(Data(data or data_folder()), host, port, tuple(one.lower() for one in name or ()))
    run(settings, lambda line: typer.echo(line, err=True), new_token=new_token, with_demo=demo)
