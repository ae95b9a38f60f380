package health

import (
	"context"
	"regexp"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/micro"

	"swathkeeper/protocol"
)

// ServiceName is what the worker is called among the services of a bus: `nats service ls` and
// $SRV.PING, $SRV.INFO and $SRV.STATS know it by this.
const ServiceName = "swathkeeper"

var semver = regexp.MustCompile(`^\d+\.\d+\.\d+(-[0-9A-Za-z.-]+)?(\+[0-9A-Za-z.-]+)?$`)

// AddService lets the worker answer to ping, info and stats, and to protocol.SubjectStatus with its report.
// Every worker of a bus answers, not one for all.
func AddService(nc *nats.Conn, name, version string, report func(context.Context) *Report) (micro.Service, error) {
	v := version
	if !semver.MatchString(v) {
		v = "0.0.0" // the framework takes nothing else; the true one is in the metadata
	}
	probe := func() *Report {
		ctx, cancel := context.WithTimeout(context.Background(), probeLimit)
		defer cancel()
		return report(ctx)
	}
	s, err := micro.AddService(nc, micro.Config{
		Name: ServiceName, Version: v, Description: "judges readings of printed charts",
		Metadata:           map[string]string{"worker": name, "release": version},
		QueueGroupDisabled: true,
		StatsHandler: func(*micro.Endpoint) any {
			r := probe()
			return map[string]any{"ready": r.Ready, "judging": r.Judging, "waiting": r.Waiting, "oldest_waiting_seconds": r.WaitingSeconds(), "last_record": r.LastRecord}
		},
	})
	if err != nil {
		return nil, err
	}
	err = s.AddEndpoint("status", micro.HandlerFunc(func(req micro.Request) { _ = req.RespondJSON(probe()) }),
		micro.WithEndpointSubject(protocol.SubjectStatus), micro.WithEndpointQueueGroupDisabled(),
		micro.WithEndpointMetadata(map[string]string{"answer": "the worker's report, as /readyz gives it"}))
	if err != nil {
		_ = s.Stop()
		return nil, err
	}
	return s, nil
}
