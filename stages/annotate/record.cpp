#include "stages/annotate/record.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <cctype>
#include <vector>

namespace trunnion::annotate {
namespace {

enum class Form { text, alternative, bag };  // of a property, as the XMP specification has it

class RecordWriter {
 public:
  explicit RecordWriter(Exiv2::XmpData& xmp) : xmp_(xmp) {}

  void put(const std::string& key, Form form, const std::string& value) {
    if (value.empty()) return;
    const std::string before = take_out(key);
    if (form == Form::alternative) {
      Exiv2::LangAltValue text;
      text.value_["x-default"] = value;  // read() would take a text that begins with lang= apart
      xmp_.add(Exiv2::XmpKey(key), &text);
    } else if (form == Form::bag) {
      Exiv2::XmpArrayValue list(Exiv2::xmpBag);
      list.read(value);
      xmp_.add(Exiv2::XmpKey(key), &list);
    } else {
      Exiv2::XmpTextValue text;
      text.value_ = value;
      xmp_.add(Exiv2::XmpKey(key), &text);
    }
    const auto now = xmp_.findKey(Exiv2::XmpKey(key));
    if (!before.empty() && before != now->toString()) replaced_.push_back(key.substr(4));
  }
  [[nodiscard]] const std::vector<std::string>& replaced() const { return replaced_; }

 private:
  // What stood there, with all that is inside it.
  std::string take_out(const std::string& key) {
    std::string before;
    Exiv2::XmpData rest;
    for (const Exiv2::Xmpdatum& datum : xmp_) {
      if (property_of(datum.key()) != key) {
        rest.add(datum);
      } else {
        before += datum.toString();
      }
    }
    xmp_ = rest;
    return before;
  }

  Exiv2::XmpData& xmp_;
  std::vector<std::string> replaced_;
};

bool is_web_address(const std::string& text) {
  return (text.starts_with("https://") || text.starts_with("http://")) &&
         text.find_first_of(" \t\r\n") == std::string::npos;
}

// dwc:catalogNumber -> CatalogNumber.
std::string own_name(const std::string& term) {
  std::string name = term.substr(term.find(':') + 1);
  name.front() = static_cast<char>(std::toupper(static_cast<unsigned char>(name.front())));
  return name;
}

}  // namespace

void write_record(Carried& carried, const SpecimenRecord& record, const std::string& file) {
  if (record.empty()) return;
  RecordWriter xmp(carried.metadata.xmp);
  xmp.put("Xmp.dc.identifier", Form::text, record.catalogue_number);
  xmp.put("Xmp.dc.publisher", Form::bag, record.institution);
  xmp.put("Xmp.dc.subject", Form::bag, record.taxon);
  xmp.put("Xmp.dc.description", Form::alternative,
          record.description.empty() ? record.label : record.description);
  xmp.put("Xmp.dc.rights", Form::alternative, record.rights);
  xmp.put("Xmp.xmpRights.Owner", Form::bag, record.rights_holder);
  const bool web = is_web_address(record.licence);
  xmp.put("Xmp.xmpRights.WebStatement", Form::text, web ? record.licence : "");
  xmp.put("Xmp.xmpRights.UsageTerms", Form::alternative, web ? "" : record.licence);
  for (const RecordTerm& term : kRecordTerms) {
    xmp.put("Xmp.trunnion." + own_name(term.term), Form::text, record.*term.field);
  }
  if (xmp.replaced().empty()) return;
  carried.findings.push_back(
      {Severity::note, "annotate", file,
       fmt::format("{} of the source were replaced by the specimen's record.",
                   fmt::join(xmp.replaced(), ", ")),
       "Nothing to do."});
}

}  // namespace trunnion::annotate
