"""A menu on a real terminal: keys in, rows out. All it knows of a list stands in `ui_menu`."""

from __future__ import annotations

from typing import Any

from verify.terminal.ui_fit import fitted
from verify.terminal.ui_menu import Menu

# Words carry the meaning, so no colour: weight, and one reversed bar for what stops a job.
STYLES = {
    "prompt": "bold",
    "chosen": "bold",
    "message": "bold",
    "dim": "",
    "stop": "bold reverse",
}


def run_menu(menu: Menu, *, widest: int, highest: int) -> str:
    """Shows the menu until something is taken, and wipes it away. Raises KeyboardInterrupt.

    widest, highest: columns and rows it may take; a longer list moves within them.
    """
    from prompt_toolkit.application import Application, get_app
    from prompt_toolkit.formatted_text import StyleAndTextTuples
    from prompt_toolkit.layout import Layout
    from prompt_toolkit.layout.containers import Window
    from prompt_toolkit.layout.controls import FormattedTextControl
    from prompt_toolkit.styles import Style

    def shown() -> StyleAndTextTuples:
        size = get_app().output.get_size()
        parts: StyleAndTextTuples = []
        rows = menu.rows(min(size.columns - 1, widest))
        rows = fitted(rows, min(size.rows, highest), menu.at)
        first = next((i for i, row in enumerate(rows) if row.line == (menu.at or 0)), 0)
        for index, row in enumerate(rows):
            if index == first and menu.at is not None:
                # Where a list is higher than the screen, it is moved so that this row is seen.
                parts.append(("[SetCursorPosition]", ""))
            parts.append((f"class:{row.style}" if row.style else "", row.text))
            parts.append(("", "\n"))
        return parts[:-1]

    control = FormattedTextControl(shown, show_cursor=False, focusable=True)
    app: Application[str] = Application(
        layout=Layout(Window(control, wrap_lines=False, dont_extend_height=True)),
        key_bindings=_keys(menu),
        style=Style.from_dict(STYLES),
        erase_when_done=True,
    )
    return app.run()


def _keys(menu: Menu) -> Any:
    from prompt_toolkit.key_binding import KeyBindings
    from prompt_toolkit.keys import Keys

    keys = KeyBindings()

    @keys.add(Keys.Up)
    def _up(event: Any) -> None:
        menu.go(-1)

    @keys.add(Keys.Down)
    def _down(event: Any) -> None:
        menu.go(1)

    @keys.add(Keys.Backspace)
    def _rub(event: Any) -> None:
        menu.rub()

    @keys.add(Keys.Escape)
    def _clear(event: Any) -> None:
        menu.clear()

    @keys.add(Keys.ControlC)
    def _break(event: Any) -> None:
        event.app.exit(exception=KeyboardInterrupt())

    @keys.add(Keys.ControlM)
    def _enter(event: Any) -> None:
        taken = menu.enter()
        if taken is not None:
            event.app.exit(result=taken)
        elif menu.message:
            event.app.output.bell()

    @keys.add(Keys.BracketedPaste)
    @keys.add(Keys.Any)
    def _typed(event: Any) -> None:
        if event.data.isprintable():
            menu.type(event.data)

    return keys
