// Command duck is DuckDB beside the service, for deploy/bench. It is a module
// of its own, so that nobody who builds, tests or runs byrelog fetches DuckDB,
// which is a few hundred megabytes and needs a C compiler.
//
// It is talked to over its standard input, a line a command, and answers each
// with a line of JSON:
//
//	load FILE.csv        the events into a table of DuckDB's own
//	windows FROM TO      the 21-day windows from one day to another, over all
//	                     herds: eligible and inseminated cows in each
package main

import (
	"bufio"
	"database/sql"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"time"

	_ "github.com/duckdb/duckdb-go/v2" // the driver
)

// answer is what a command gives.
type answer struct {
	Error   string   `json:"error,omitempty"`
	Version string   `json:"version,omitempty"`
	Nanos   int64    `json:"nanos"` // of the query, its rows read
	Rows    int64    `json:"rows,omitempty"`
	Windows []window `json:"windows,omitempty"`
}

type window struct {
	From     string `json:"from"`
	Eligible int    `json:"eligible"`
	Bred     int    `json:"bred"`
}

func main() {
	db, err := sql.Open("duckdb", "")
	if err != nil {
		fmt.Fprintln(os.Stderr, "duck:", err)
		os.Exit(1)
	}
	in := bufio.NewScanner(os.Stdin)
	out := json.NewEncoder(os.Stdout)
	for in.Scan() {
		a, err := obey(db, strings.Fields(in.Text()))
		if err != nil {
			a.Error = err.Error()
		}
		if err := out.Encode(a); err != nil {
			os.Exit(1)
		}
	}
}

func obey(db *sql.DB, words []string) (answer, error) {
	var a answer
	switch {
	case len(words) == 2 && words[0] == "load":
		// Sorted as the log is, typed, kinds and codes as enumerations: what a
		// careful user of DuckDB would do.
		for _, s := range []string{
			`drop table if exists events`,
			`create or replace type kinds as enum ('arrival', 'calving', 'breeding', 'pregnancy_diagnosis', 'dry_off', 'departure', 'heat', 'palpation', 'walk', 'move', 'treatment', 'size', 'breeding_stop', 'breeding_resume', 'pregnancy_loss', 'renumber', 'void')`,
			`create table events (herd integer, seq integer, animal varchar, kind kinds, on_date date, code varchar, parity integer, last_calved date, conceived date, last_bred date)`,
			`insert into events select * from read_csv('` + words[1] + `', header = false, columns = {'herd': 'integer', 'seq': 'integer', 'animal': 'varchar', 'kind': 'varchar',
				'on_date': 'date', 'code': 'varchar', 'parity': 'integer', 'last_calved': 'date', 'conceived': 'date', 'last_bred': 'date'}) order by herd, seq`,
		} {
			if _, err := db.Exec(s); err != nil {
				return a, err
			}
		}
		return a, db.QueryRow(`select count(*), version() from events`).Scan(&a.Rows, &a.Version)
	case len(words) == 3 && words[0] == "windows":
		began := time.Now()
		rows, err := db.Query(windows, words[1], words[2])
		if err != nil {
			return a, err
		}
		defer func() { _ = rows.Close() }()
		for rows.Next() {
			var w window
			if err := rows.Scan(&w.From, &w.Eligible, &w.Bred); err != nil {
				return a, err
			}
			a.Windows = append(a.Windows, w)
		}
		a.Nanos = time.Since(began).Nanoseconds()
		return a, rows.Err()
	}
	return a, fmt.Errorf("no such command: %q", words)
}

// windows is the definition of insemination_risk_21d for herds in which nothing
// goes wrong: no stops, no losses, no reading of a pregnant cow as in heat. A cow
// is at risk from 60 days after calving until she is dried off, calves or leaves,
// unless she carries from before the window; 11 days make her eligible, and a
// service on one of her days at risk inseminated. A conception is dated by the
// latest service at least 26 days before a diagnosis of pregnancy.
const windows = `
with lactation as (
	select herd, animal, calved, seen, lead(calved) over (partition by herd, animal order by calved) as next
	from (
		select herd, animal, on_date as calved, on_date as seen from events where kind = 'calving'
		union all
		select herd, animal, last_calved, on_date from events where kind = 'arrival' and parity > 0 and last_calved is not null
	)
), gone as (
	select herd, animal, min(on_date) as on_date from events where kind = 'departure' group by all
), dried as (
	select l.herd, l.animal, l.calved, min(e.on_date) as on_date
	from lactation l join events e on e.herd = l.herd and e.animal = l.animal and e.kind = 'dry_off'
		and e.on_date >= l.calved and (l.next is null or e.on_date < l.next)
	group by all
), breeding as (
	select herd, animal, on_date, lead(on_date) over (partition by herd, animal order by on_date) as again
	from events where kind = 'breeding'
), service as (
	select herd, animal, on_date from breeding where again is null or again > on_date + 1
), known as (
	select * from service union all select herd, animal, last_bred from events where kind = 'arrival' and last_bred is not null
), diagnosis as (
	select herd, animal, on_date, on_date - 26 as before from events where kind = 'pregnancy_diagnosis' and code = 'pregnant'
), conception as (
	select distinct d.herd, d.animal, s.on_date
	from diagnosis d asof join known s on d.herd = s.herd and d.animal = s.animal and d.before >= s.on_date
	union
	select herd, animal, conceived from events where kind = 'arrival' and conceived is not null
), stretch as (
	select l.herd, l.animal, l.calved, greatest(l.calved + 60, l.seen) as first,
		least(l.next - 1, g.on_date - 1, d.on_date - 1, date '9999-12-31') as last
	from lactation l
	left join gone g on g.herd = l.herd and g.animal = l.animal
	left join dried d on d.herd = l.herd and d.animal = l.animal and d.calved = l.calved
), win as (
	select cast(unnest(generate_series(cast($1 as date), cast($2 as date) - 20, interval 21 day)) as date) as first
), risk as (
	select s.herd, s.animal, s.calved, w.first as win, greatest(s.first, w.first) as first, least(s.last, w.first + 20) as last
	from stretch s join win w on s.first <= w.first + 20 and s.last >= w.first
), eligible as (
	select r.* from risk r
	where r.last - r.first + 1 >= 11
		and not exists (select 1 from conception c where c.herd = r.herd and c.animal = r.animal and c.on_date > r.calved and c.on_date < r.win)
), bred as (
	select distinct e.herd, e.animal, e.win
	from eligible e join service s on s.herd = e.herd and s.animal = e.animal and s.on_date between e.first and e.last
)
select cast(win.first as varchar), count(e.animal), count(b.animal)
from win
left join eligible e on e.win = win.first
left join bred b on b.herd = e.herd and b.animal = e.animal and b.win = e.win
group by win.first order by win.first`
