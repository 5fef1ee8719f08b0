// The part of annotate that writes the specimen's record: number, name, label and rights, as XMP
// properties of the Dublin Core and of the rights management schema (XMP specification part 1,
// ISO 16684-1, 8.4 and 8.7):
//   catalogue number  dc:identifier        taxon          dc:subject
//   institution       dc:publisher         rights         dc:rights
//   description       dc:description (the label's text where there is none)
//   rights holder     xmpRights:Owner      licence        xmpRights:WebStatement where it is a
//                                                         web address, else xmpRights:UsageTerms
// and each under its Darwin Core or DCMI name in the project's own namespace, which nothing
// replaces.
#pragma once

#include <string>

#include "core/specimen_record.h"
#include "stages/annotate/policy.h"

namespace trunnion::annotate {

// What the source says otherwise under these properties is replaced, with a finding.
void write_record(Carried& carried, const SpecimenRecord& record, const std::string& file);

}  // namespace trunnion::annotate
