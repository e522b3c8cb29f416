"use strict";
// Comes again until the answer is whole, and keeps what the reader looks at where it is.
if (document.getElementById("state").dataset.ended !== "yes") setTimeout(() => location.reload(), 2000);
