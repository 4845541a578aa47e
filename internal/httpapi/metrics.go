package httpapi

import (
	"bytes"
	"fmt"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/common/expfmt"
)

// metrics of the HTTP interface. No label names a herd or a token.
type metrics struct {
	registry *prometheus.Registry
	requests *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
	inFlight prometheus.Gauge
	appended prometheus.Counter
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
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	} {
		if err := r.Register(c); err != nil {
			return nil, fmt.Errorf("register metrics: %w", err)
		}
	}
	return m, nil
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
