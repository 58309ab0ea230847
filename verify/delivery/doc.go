// Package delivery copies the files of a result out of the image they lie in,
// as a BagIt bag (RFC 8493), and audits deliveries.
//
// The files are planned first, every stored byte of them with its place; then
// one sweep over the image, forward, gives each file its bytes. Names are made
// safe by one rule ([SafeName]). Until all is there the payload stands under
// another name, with a journal of what is done beside it: a run that was cut
// off is taken up by the next one with the same arguments.
package delivery
