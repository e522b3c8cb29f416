"""LibreOffice Calc, Python: send the open workbook to platerota and put the plan beside it.

Put this file into the folder of your own Python macros and run `plan_week` by Tools, Macros, Run Macro.
"""

import pathlib
import tempfile
import urllib.error
import urllib.request

import uno
from com.sun.star.beans import PropertyValue

SERVICE = "http://127.0.0.1:8080"
KEY = ""  # the key of the service, where it asks for one
SECONDS = 120  # to wait for the answer
ODS = "application/vnd.oasis.opendocument.spreadsheet"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
SHEETS = ("Problems", "Plan", "Load windows", "Machines", "Orders", "Runs", "KPIs", "Gantt", "Warnings")
BOTH = ("Machines", "Orders")  # the request has sheets of these names too


def plan_week(*_):
    """Send the workbook that is open; put the sheets of the answer into it, those of an earlier one taken out first."""
    document = XSCRIPTCONTEXT.getDocument()  # noqa: F821 - LibreOffice puts it here
    with tempfile.TemporaryDirectory() as folder:
        sent, came = pathlib.Path(folder, "week.ods"), pathlib.Path(folder, "plan.xlsx")
        document.storeToURL(uno.systemPathToFileUrl(str(sent)), (_property("FilterName", "calc8"),))
        came.write_bytes(_post(sent.read_bytes()))
        _take_sheets(document, uno.systemPathToFileUrl(str(came)))


def _post(workbook):
    headers = {"Content-Type": ODS, "Accept": XLSX}
    if KEY:
        headers["X-API-Key"] = KEY
    request = urllib.request.Request(SERVICE + "/v1/plans", data=workbook, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=SECONDS) as answer:
            return answer.read()
    except urllib.error.HTTPError as error:
        raise RuntimeError(error.read().decode("utf-8", "replace")) from None


def _take_sheets(document, address):
    sheets = document.Sheets
    for name in (*SHEETS, *(f"{name} (plan)" for name in BOTH)):
        if name not in BOTH and sheets.hasByName(name):
            sheets.removeByName(name)
    desktop = XSCRIPTCONTEXT.getDesktop()  # noqa: F821 - LibreOffice puts it here
    answer = desktop.loadComponentFromURL(address, "_blank", 0, (_property("Hidden", True),))
    try:
        for name in answer.Sheets.ElementNames:
            if name in SHEETS:  # a workbook with problems holds the sheets of the request as well
                if name in BOTH:
                    answer.Sheets.getByName(name).setName(f"{name} (plan)")
                    name = f"{name} (plan)"
                sheets.importSheet(answer, name, sheets.Count)
    finally:
        answer.close(True)


def _property(name, value):
    made = PropertyValue()
    made.Name, made.Value = name, value
    return made


g_exportedScripts = (plan_week,)
