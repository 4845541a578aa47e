package pgtest

import (
	"context"
	"fmt"
	"time"

	"github.com/testcontainers/testcontainers-go"
	"github.com/testcontainers/testcontainers-go/log"
	"github.com/testcontainers/testcontainers-go/modules/postgres"
)

// image is the server of the container path; the private path takes what is there.
const image = "postgres:17-alpine"

// container starts a server in a container and gives its superuser's URL, or tells
// why it could not. The library's reaper removes the container when the process ends.
func container(ctx context.Context) (url string, err error) {
	defer func() {
		// The library panics on some machines without an engine.
		if r := recover(); r != nil {
			err = fmt.Errorf("no engine: %v", r)
		}
	}()
	log.SetDefault(log.NewNoopLogger())
	probe, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	provider, err := testcontainers.ProviderDefault.GetProvider()
	if err != nil {
		return "", err
	}
	err = provider.Health(probe)
	_ = provider.Close()
	if err != nil {
		return "", err
	}
	c, err := postgres.Run(ctx, image,
		postgres.WithDatabase("postgres"), postgres.WithUsername("postgres"), postgres.WithPassword("pgtest"),
		testcontainers.WithCmdArgs("-c", "max_connections=200", "-c", "full_page_writes=off", "-c", "synchronous_commit=off"),
		postgres.BasicWaitStrategies())
	if err != nil {
		if c != nil {
			_ = c.Terminate(context.WithoutCancel(ctx))
		}
		return "", err
	}
	return c.ConnectionString(ctx, "sslmode=disable")
}
