// Stand-ins for the classes that Apps Script gives to a script: as much of them as our macro uses, and nothing it could not rely on there.
// They are told by environment: BOOK (the cells by sheet, JSON), HELPER and PYTHON (what sends a call and packs a zip).
const { execFileSync } = require("node:child_process");

const cells = JSON.parse(process.env.BOOK);

class Range {
  constructor(sheet, rows, columns) {
    Object.assign(this, { sheet, rows, columns });
  }

  setNumberFormat() {
    return this;
  }

  setValues(values) {
    if (values.length !== this.rows || values.some((row) => row.length !== this.columns)) {
      throw new Error("the values do not fit the range");
    }
    cells[this.sheet] = values;
    return this;
  }

  getValues() {
    return cells[this.sheet].map((row) => row.map((value) => {
      const stamp = typeof value === "string" ? /^@(.*)$/.exec(value) : null;
      return value === null ? "" : stamp === null ? value : new Date(stamp[1] + "Z");
    }));
  }
}

class Sheet {
  constructor(name) {
    this.name = name;
  }

  clearContents() {
    cells[this.name] = [[""]];
  }

  getDataRange() {
    return new Range(this.name, cells[this.name].length, cells[this.name][0].length);
  }

  getRange(row, column, rows, columns) {
    return new Range(this.name, rows, columns);
  }
}

const SpreadsheetApp = {
  getActiveSpreadsheet: () => ({
    getSheetByName: (name) => (name in cells ? new Sheet(name) : null),
    insertSheet: (name) => {
      cells[name] = [[""]];
      return new Sheet(name);
    },
    getSpreadsheetTimeZone: () => "UTC",
  }),
};

class Blob {
  constructor(text, name) {
    Object.assign(this, { text, name });
  }

  getName() {
    return this.name;
  }

  getDataAsString() {
    return this.text;
  }

  setContentType() {
    return this;
  }
}

const two = (number) => String(number).padStart(2, "0");
const Utilities = {
  newBlob: (text, type, name) => new Blob(text, name),
  zip: (blobs) => blobs,
  unzip: (blob) => blob.files.map(([name, text]) => new Blob(text, name)),
  parseCsv: (text) => helped({ parse: text }),
  formatDate: (value, zone, pattern) => pattern.replace("yyyy", value.getUTCFullYear()).replace("MM", two(value.getUTCMonth() + 1))
    .replace("dd", two(value.getUTCDate())).replace("HH", two(value.getUTCHours())).replace("mm", two(value.getUTCMinutes()))
    .replace("ss", two(value.getUTCSeconds())),
};

function helped(order) {
  return JSON.parse(execFileSync(process.env.PYTHON, [process.env.HELPER], { input: JSON.stringify(order), maxBuffer: 1 << 28 }));
}

const UrlFetchApp = {
  fetch: (url, options) => {
    if (options.method !== "post" || options.contentType !== "application/zip" || options.muteHttpExceptions !== true) {
      throw new Error("not the call that was expected");
    }
    const answer = helped({ url, headers: options.headers, files: options.payload.map((blob) => [blob.name, blob.text]) });
    return {
      getResponseCode: () => answer.status,
      getContentText: () => answer.text,
      getBlob: () => Object.assign(new Blob("", "answer"), { files: answer.files }),
    };
  },
};
