import sqlite3


def make(folder):
    c = sqlite3.connect(folder / "office.db")
    c.execute("create table patients(id integer primary key, chart_no text, last_name text, birth_date text)")
    c.execute(
        "create table procedures(id integer primary key, patient_id integer, service_date text, code text, "
        "tooth text, fee real, is_deleted integer)"
    )
    for n in range(1, 21):
        c.execute(
            "insert into patients values(?,?,?,?)", (n, f"C{1000 + n}", f"Name{n}", f"19{50 + n}-03-0{1 + n % 9}")
        )
    import random

    random.seed(3)
    for n in range(1, 61):
        c.execute(
            "insert into procedures values(?,?,?,?,?,?,?)",
            (
                n,
                1 + n % 20,
                f"20{15 + n % 8}-{1 + n % 12:02d}-{1 + n % 28:02d}",
                random.choice(["D2740", "D3330", "D0120"]),
                str(random.randint(2, 31)),
                100.0 * n,
                1 if n % 15 == 0 else 0,
            ),
        )
    c.commit()
    c.close()
