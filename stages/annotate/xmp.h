// The part of annotate that writes XMP: the properties of the project's own namespace and the
// processing history.
#pragma once

#include <ctime>
#include <optional>
#include <string>
#include <vector>

#include "config/setup.h"
#include "core/metadata.h"
#include "core/scene.h"

namespace trunnion::annotate {

// What is known of the fused image; empty texts are not written.
struct XmpSource {
  std::string hash;
  std::string unique_id;
};

void write_xmp(Exiv2::XmpData& xmp, const Scene& scene, const View& view, const Setup& setup,
               const XmpSource& source);

// xmpMM:History, a sequence of stEvt:ResourceEvent (XMP specification part 2, 2.3.4); events of
// earlier programs stay in front.
void write_history(Exiv2::XmpData& xmp, const std::vector<std::string>& steps,
                   const std::string& earlier_software);

// Takes the largest carried properties out until the packet fits into a JPEG's one segment; returns
// their keys.
std::vector<std::string> fit_xmp_into_jpeg(Exiv2::XmpData& xmp);

// Reproducible builds' convention: the one clock that gives the same bytes twice.
std::optional<std::tm> source_date();

}  // namespace trunnion::annotate
