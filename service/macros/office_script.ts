// Excel on the web, Office Scripts: the load windows of a plan into a sheet of this workbook.
// Run here only against stand-ins of the classes that Office Scripts give; not run there. The service must allow the origin that the
// script is sent from (CORS), and 5 MB is the most that a script may fetch.
const SERVICE = "http://127.0.0.1:8080";
const KEY = ""; // the key of the service, where it asks for one
const COLUMNS = ["operator", "plate", "run", "earliest_start", "start", "end", "latest_end", "machine", "place_at"];

async function main(workbook: ExcelScript.Workbook, planId: string) {
  const headers: Record<string, string> = { Accept: "application/json", Prefer: "wait=20" };
  if (KEY !== "") {
    headers["X-API-Key"] = KEY;
  }
  const answer = await fetch(SERVICE + "/v1/plans/" + encodeURIComponent(planId), { headers: headers });
  const plan: { status: string, detail?: string, load_windows: Record<string, string | null>[] } = await answer.json();
  if (!answer.ok) {
    throw new Error(plan.detail);
  }
  const rows: string[][] = plan.load_windows.map((load) => COLUMNS.map((name) => load[name] ?? ""));
  const sheet = workbook.getWorksheet("Load windows") ?? workbook.addWorksheet("Load windows");
  sheet.getUsedRange()?.clear();
  const range = sheet.getRangeByIndexes(0, 0, rows.length + 1, COLUMNS.length);
  range.setNumberFormat("@"); // text, so that nothing becomes a formula or another date
  range.setValues([COLUMNS, ...rows]);
  sheet.getRange("A1:I1").getFormat().getFont().setBold(true);
}
