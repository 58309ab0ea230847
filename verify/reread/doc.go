// Package reread orders the unread ranges of a drive by what reading them
// would win back. It works from a result alone.
//
// A plan is made in three steps. The result becomes a problem (build.go): atoms,
// which are runs of unread sectors that are wanted as a whole by the same
// things, and items, which are sets of atoms with what they win once all are
// read: a file made whole, a structure readable. The problem is solved
// (greedy.go, budget.go): the set of items with the most weight for the time is
// read next. And the solution is told in steps (plan.go). Where next to nothing is
// unread, all of it is read by place instead (onego.go).
package reread
