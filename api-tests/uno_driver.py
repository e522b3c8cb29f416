"""Runs outside of the tests, by a Python that knows LibreOffice's bridge (package python3-uno): opens workbooks, runs macros in them.

    python3 uno_driver.py PIPE cells BOOK
    python3 uno_driver.py PIPE save BOOK AS FILTER
    python3 uno_driver.py PIPE basic BOOK SOURCE ROUTINE [ARGUMENT …]
    python3 uno_driver.py PIPE python BOOK FILE ROUTINE

Prints one line of JSON: the cells of every sheet as they are after that, by the sheet's name, and what the macro gave back.
"""

import json
import os
import sys
import time

import uno
from com.sun.star.beans import PropertyValue
from com.sun.star.connection import NoConnectException


def named(name, value):
    made = PropertyValue()
    made.Name, made.Value = name, value
    return made


def connected(pipe):
    resolver = uno.getComponentContext().ServiceManager.createInstance("com.sun.star.bridge.UnoUrlResolver")
    last = time.monotonic() + 60
    while True:
        try:
            context = resolver.resolve(f"uno:pipe,name={pipe};urp;StarOffice.ComponentContext")
            return context.ServiceManager.createInstanceWithContext("com.sun.star.frame.Desktop", context)
        except NoConnectException:
            if time.monotonic() > last:
                raise
            time.sleep(0.1)


def opened(desktop, book):
    # Macros may run: they are our own. A hidden document would not be the one that a macro of the user finds open.
    options = (named("MacroExecutionMode", 4),)
    document = desktop.loadComponentFromURL(uno.systemPathToFileUrl(book), "_blank", 0, options)
    document.CurrentController.Frame.activate()
    return document


def cells(document):
    document.calculateAll()
    found = {}
    for sheet in document.Sheets:
        cursor = sheet.createCursor()
        cursor.gotoEndOfUsedArea(False)
        columns, rows = cursor.RangeAddress.EndColumn + 1, cursor.RangeAddress.EndRow + 1
        area = sheet.getCellRangeByPosition(0, 0, columns - 1, rows - 1)
        values, formulas = area.getDataArray(), area.getFormulaArray()
        found[sheet.Name] = [[cell(*both) for both in zip(*rows, strict=True)] for rows in zip(values, formulas, strict=True)]
    return found


def cell(value, formula):
    """One cell; a truth value is a formula here, and no other formula is expected."""
    if formula in ("=TRUE()", "=FALSE()"):
        return formula == "=TRUE()"
    if str(formula).startswith("="):
        raise SystemExit(f"a cell holds a formula: {formula}")
    return None if value == "" else value


def script(document, address, arguments=()):
    return document.getScriptProvider().getScript(f"vnd.sun.star.script:{address}").invoke(tuple(arguments), (), ())[0]


def basic(document, source, routine, arguments):
    libraries = document.BasicLibraries
    if not libraries.hasByName("Standard"):
        libraries.createLibrary("Standard")
    with open(source, encoding="utf-8") as text:
        libraries.getByName("Standard").insertByName("Ours", text.read())
    return script(document, f"Standard.Ours.{routine}?language=Basic&location=document", arguments)


def main(pipe, command, book, *more):
    document = opened(connected(pipe), book)
    try:
        given = None
        if command == "save":
            document.storeToURL(uno.systemPathToFileUrl(more[0]), (named("FilterName", more[1]),))
        elif command == "basic":
            given = basic(document, more[0], more[1], more[2:])
        elif command == "python":
            given = script(document, f"{more[0]}${more[1]}?language=Python&location=user")
        print(json.dumps({"given": given, "sheets": cells(document)}), flush=True)
    finally:
        document.close(True)
    # Taking the bridge down has nothing to tell any more, and may fall over.
    os._exit(0)


if __name__ == "__main__":
    main(*sys.argv[1:])
