// Package report renders what verify found for people to read.
package report
