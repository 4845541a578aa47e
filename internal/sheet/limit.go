package sheet

// Limits bound what a file may take. A zero field means its default.
type Limits struct {
	Field   int   // bytes of one field, decoded; default 64 KiB
	Record  int   // bytes of one record, decoded; default 1 MiB
	Columns int   // fields of one record; default 200
	Rows    int   // records; default 5 million
	Unkeyed int   // rows without an event id, which must be remembered (about 50 bytes each); default 500,000
	Bytes   int64 // bytes of the file as it comes; default 2 GiB
}

func (l Limits) filled() Limits {
	fill := func(v *int, d int) {
		if *v <= 0 {
			*v = d
		}
	}
	fill(&l.Field, 64<<10)
	fill(&l.Record, 1<<20)
	fill(&l.Columns, 200)
	fill(&l.Rows, 5_000_000)
	fill(&l.Unkeyed, 500_000)
	if l.Bytes <= 0 {
		l.Bytes = 2 << 30
	}
	return l
}

// Option changes how a [Reader] reads.
type Option func(*Reader)

// WithLimits sets the limits of a [Reader].
func WithLimits(l Limits) Option { return func(r *Reader) { r.limits = l.filled() } }
