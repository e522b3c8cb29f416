// Google Sheets, Apps Script: send the sheets of this spreadsheet as a zip of CSV files and put the plan beside them.
// Run here only against stand-ins of the classes that Apps Script gives; not run there. The service must be reachable from the internet.
const SERVICE = "http://127.0.0.1:8080";
const KEY = ""; // the key of the service, where it asks for one
const TABLES = [
  "settings", "machines", "plates", "fixtures", "nests", "operations", "operators", "shifts", "closures", "orders",
  "floor.pieces", "floor.last_fixtures", "floor.running", "floor.waiting",
];
const BOTH = ["machines", "orders"]; // names that the request and the plan have both

function planWeek() {
  const book = SpreadsheetApp.getActiveSpreadsheet();
  const files = TABLES.map((name) => [name, book.getSheetByName(name)]).filter(([, sheet]) => sheet !== null)
    .map(([name, sheet]) => Utilities.newBlob(csvOf_(sheet, book), "text/csv", name + ".csv"));
  const answer = UrlFetchApp.fetch(SERVICE + "/v1/plans?format=zip", {
    method: "post",
    contentType: "application/zip",
    payload: Utilities.zip(files, "week.zip"),
    headers: KEY === "" ? {} : { "X-API-Key": KEY },
    muteHttpExceptions: true,
  });
  if (answer.getResponseCode() !== 200) {
    fill_(book, "Problems", problems_(JSON.parse(answer.getContentText())));
    return;
  }
  for (const file of Utilities.unzip(answer.getBlob().setContentType("application/zip"))) {
    const name = file.getName().replace(/\.csv$/, "");
    fill_(book, BOTH.includes(name) ? name + " (plan)" : name.replace("_", " "), Utilities.parseCsv(file.getDataAsString("UTF-8")));
  }
}

// Problem details (RFC 9457) as rows.
function problems_(problem) {
  const rows = (problem.errors || [{ detail: problem.detail, mend: "" }])
    .map((one) => [one.sheet, one.row, one.column, one.detail, one.mend, one.code].map((value) => (value === undefined ? "" : value)));
  return [["sheet", "row", "column", "what", "mend", "code"]].concat(rows);
}

function fill_(book, title, rows) {
  const sheet = book.getSheetByName(title) || book.insertSheet(title);
  sheet.clearContents();
  sheet.getRange(1, 1, rows.length, rows[0].length).setNumberFormat("@").setValues(rows);
}

function csvOf_(sheet, book) {
  const rows = sheet.getDataRange().getValues();
  return rows.map((row) => row.map((value) => quoted_(textOf_(value, book))).join(",")).join("\r\n");
}

// A time of day is held as a time of 1899-12-30; midnight at its end as one of the next day.
function textOf_(value, book) {
  if (!(value instanceof Date)) {
    return String(value);
  }
  const day = Utilities.formatDate(value, book.getSpreadsheetTimeZone(), "yyyy-MM-dd");
  if (day === "1899-12-31") {
    return "24:00";
  }
  return Utilities.formatDate(value, book.getSpreadsheetTimeZone(), day === "1899-12-30" ? "HH:mm" : "yyyy-MM-dd HH:mm:ss");
}

function quoted_(text) {
  return /[",\r\n;]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
}
