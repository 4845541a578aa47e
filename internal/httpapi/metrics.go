package httpapi

import (
	"bytes"
	"fmt"
	"strconv"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/common/expfmt"

	"byrelog.example/internal/guard"
)

// metrics of the HTTP interface. No label names a herd or a token.
type metrics struct {
	registry *prometheus.Registry
	requests *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
	inFlight prometheus.Gauge
	appended prometheus.Counter

	// The metrics of each operation, found once: to find them by their labels takes
	// longer than to count.
	operations sync.Map // string -> *operationMetrics
}

// operationMetrics count the requests of one operation.
type operationMetrics struct {
	requests *prometheus.CounterVec // of all operations
	id       string
	seconds  prometheus.Observer
	statuses sync.Map // int -> prometheus.Counter
}

// of gives the metrics of an operation, whose id is one of the contract's: the number
// of them is bounded.
func (m *metrics) of(id string) *operationMetrics {
	if kept, ok := m.operations.Load(id); ok {
		if o, ok := kept.(*operationMetrics); ok {
			return o
		}
	}
	// Two that are made at once count in the same metrics.
	o := &operationMetrics{requests: m.requests, id: id, seconds: m.seconds.WithLabelValues(id)}
	m.operations.Store(id, o)
	return o
}

func (o *operationMetrics) count(status int, took time.Duration) {
	kept, _ := o.statuses.Load(status)
	c, ok := kept.(prometheus.Counter)
	if !ok {
		c = o.requests.WithLabelValues(o.id, strconv.Itoa(status))
		o.statuses.Store(status, c)
	}
	c.Inc()
	o.seconds.Observe(took.Seconds())
}

func newMetrics(r *prometheus.Registry) (*metrics, error) {
	m := &metrics{
		registry: r,
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "byrelog_http_requests_total", Help: "Requests answered, by operation and status.",
		}, []string{"operation", "status"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "byrelog_http_request_seconds", Help: "Time until the answer was written, by operation.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30},
		}, []string{"operation"}),
		inFlight: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "byrelog_http_requests_in_flight", Help: "Requests that are being answered.",
		}),
		appended: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "byrelog_events_appended_total", Help: "Events that were new, appended through the interface.",
		}),
	}
	for _, c := range []prometheus.Collector{
		m.requests, m.seconds, m.inFlight, m.appended,
		panics{},
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	} {
		if err := r.Register(c); err != nil {
			return nil, fmt.Errorf("register metrics: %w", err)
		}
	}
	return m, nil
}

// panics counts what guard has caught, by place: the places are those of the source.
type panics struct{}

var panicsDesc = prometheus.NewDesc("byrelog_panics_total", "Faults of the service that were caught, by place.", []string{"place"}, nil)

func (panics) Describe(ch chan<- *prometheus.Desc) { ch <- panicsDesc }

func (panics) Collect(ch chan<- prometheus.Metric) {
	for place, n := range guard.Counts() {
		ch <- prometheus.MustNewConstMetric(panicsDesc, prometheus.CounterValue, float64(n), place)
	}
}

// text writes the metrics in Prometheus' text format.
func (m *metrics) text() ([]byte, error) {
	families, err := m.registry.Gather()
	if err != nil {
		return nil, fmt.Errorf("gather metrics: %w", err)
	}
	var b bytes.Buffer
	for _, f := range families {
		if _, err := expfmt.MetricFamilyToText(&b, f); err != nil {
			return nil, fmt.Errorf("write metrics: %w", err)
		}
	}
	return b.Bytes(), nil
}
