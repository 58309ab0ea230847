// Package ownertest makes drives that had other tenants before: partitioned
// twice, formatted twice, cloned, with tables that contradict themselves. It
// holds results to what is true of the tenants of now. The drives are made with
// the tools that people use; those of testdata/owners were made so and packed.
// Only tests use it.
package ownertest
