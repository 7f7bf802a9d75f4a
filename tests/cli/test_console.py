"""What the terminal is sent: words from files never steer it."""

from __future__ import annotations

import io

from tracer.cli.console import Console
from tracer.errors import TracerError
from tracer.project.tool_list import format_tool_list, parse_tool_list

#: ECMA-48 (1991), 5.4: a control sequence opens with ESC and "["
RED = "\x1b[31mred"


def test_no_control_character_of_a_file_reaches_the_terminal() -> None:
    out, err = io.StringIO(), io.StringIO()
    console = Console(out=out, err=err)
    console.error(TracerError("panel-unknown-tool", f"There is no tool {RED}\x00\r.", "Look."))
    console.say(f"note: {RED}")
    console.result({}, f"T01  {RED}\nT02\tpump")
    said = out.getvalue() + err.getvalue()
    assert "red" in said and "T02\tpump" in said
    assert not [c for c in said if ord(c) < 32 and c not in "\n\t"]


def test_names_of_a_list_are_one_line_of_letters_and_the_file_keeps_its_own() -> None:
    data = f"name,x_px,y_px,height_mm\n{RED}\t pump,10,20,30\n".encode()
    tools = parse_tool_list(data, "tools.csv")
    assert [row.name for row in tools.rows] == ["[31mred  pump"]
    assert format_tool_list(tools) == data
