// Package files is the one place where the outputs of a run are made, and where
// its inputs are kept from harm: nothing else makes, renames or removes a file,
// but for the files inside the folder of a delivery.
package files
