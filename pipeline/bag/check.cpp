#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <set>

#include "core/error.h"
#include "core/files.h"
#include "pipeline/bag/bag.h"

namespace trunnion::bag {
namespace {

constexpr std::uintmax_t kMostManifestBytes = 1U << 30U;

class Checker {
 public:
  explicit Checker(const fs::path& folder) : folder_(folder) {}

  BagCheck run() {
    list_files();
    check_declaration();
    const bool ours = files_.contains(kProvenance);
    const std::size_t payloads = check_manifests("manifest-");
    const std::size_t tags = check_manifests("tagmanifest-");
    if (payloads == 0) fault("", "has no payload manifest; nothing in it can be checked.");
    check_info();
    check_fetch();
    if (ours) check_own(tags);
    return std::move(result_);
  }

 private:
  void fault(const std::string& file, const std::string& what) {
    result_.findings.push_back({Severity::fault, "verify", file, what,
                                "Do not rely on this package; get it again from its source."});
  }

  // Files by their path; a link could lead out of the package, and what is neither file nor folder
  // is nothing that can be handed over.
  void list_files() {
    std::error_code code;
    for (fs::recursive_directory_iterator each(folder_, code), end; !code && each != end;
         each.increment(code)) {
      const std::string path = each->path().lexically_relative(folder_).generic_string();
      const fs::file_status status = each->symlink_status();
      if (fs::is_directory(status)) continue;
      if (!fs::is_regular_file(status)) {
        fault(path, "is neither a file nor a folder; a package holds nothing else.");
        continue;
      }
      files_[path] = each->file_size();
    }
    if (code) fault("", fmt::format("cannot be read ({}).", code.message()));
  }

  std::string text_of(const std::string& path) {
    try {
      return read_file(folder_ / path, kMostManifestBytes);
    } catch (const Error& error) {
      fault(path, error.what());
      return {};
    }
  }

  // RFC 8493, 2.1.1: exactly two lines.
  void check_declaration() {
    std::string text = text_of("bagit.txt");
    std::erase(text, '\r');
    if (!text.ends_with('\n')) text += '\n';
    if (text == kDeclaration) return;
    const bool earlier = text.starts_with("BagIt-Version: 0.") &&
                         text.find("\nTag-File-Character-Encoding: UTF-8\n") != std::string::npos;
    if (!earlier) {
      fault("bagit.txt", "does not declare BagIt 1.0 (or 0.9x) with UTF-8 in its two lines.");
    }
  }

  // Every file "PREFIXalgorithm.txt"; returns how many there are.
  std::size_t check_manifests(const std::string& prefix) {
    std::size_t count = 0;
    for (const auto& [path, bytes] : files_) {
      if (!path.starts_with(prefix) || !path.ends_with(".txt") ||
          path.find('/') != std::string::npos) {
        continue;
      }
      const std::string algorithm =
          path.substr(prefix.size(), path.size() - prefix.size() - std::string(".txt").size());
      if (!is_algorithm(algorithm)) {
        fault(path, fmt::format("uses the algorithm \"{}\", which is not known here.", algorithm));
        continue;
      }
      ++count;
      check_manifest(path, algorithm, prefix == "manifest-");
    }
    return count;
  }

  void check_manifest(const std::string& manifest, const std::string& algorithm, bool payload) {
    std::set<std::string> listed;
    const std::string text = text_of(manifest);
    for (std::size_t at = 0; at < text.size();) {
      const std::size_t end = std::min(text.find_first_of("\r\n", at), text.size());
      const std::string line = text.substr(at, end - at);
      at = end + 1;
      if (!line.empty()) check_line(manifest, algorithm, payload, line, listed);
    }
    for (const auto& [path, bytes] : files_) {
      const bool wanted = payload ? path.starts_with("data/")
                                  : path.starts_with("manifest-") && path.ends_with(".txt");
      if (wanted && !listed.contains(path)) {
        fault(path, fmt::format("is not listed in {}.", manifest));
      }
    }
    if (!payload) tagged_.insert(listed.begin(), listed.end());
  }

  void check_line(const std::string& manifest, const std::string& algorithm, bool payload,
                  const std::string& line, std::set<std::string>& listed) {
    const std::size_t blank = line.find_first_of(" \t");
    const std::size_t begin = line.find_first_not_of(" \t*", blank);
    if (blank == std::string::npos || begin == std::string::npos) {
      fault(manifest, fmt::format("holds a line without checksum and path: \"{}\".", line));
      return;
    }
    const std::string path = decoded(line.substr(begin));
    const bool inside = payload == path.starts_with("data/") && !leaves(path);
    if (!inside || !listed.insert(path).second) {
      fault(manifest, fmt::format("lists \"{}\", which {}.", path,
                                  inside ? "it lists already" : "has no place in it"));
      return;
    }
    const auto file = files_.find(path);
    if (file == files_.end()) {
      fault(path, fmt::format("is listed in {}, but missing.", manifest));
      return;
    }
    ++result_.files;
    result_.bytes += file->second;
    std::string wanted = line.substr(0, blank);
    std::transform(wanted.begin(), wanted.end(), wanted.begin(),
                   [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
    try {
      if (digest_of(folder_ / path, algorithm) == wanted) return;
      fault(path,
            fmt::format("has another checksum than in {}: it was changed or damaged.", manifest));
    } catch (const Error& error) {
      fault(path, error.what());
    }
  }

  static bool leaves(const std::string& path) {
    const fs::path parts(path);
    return parts.is_absolute() || std::find(parts.begin(), parts.end(), "..") != parts.end() ||
           path.starts_with("~") || path.empty();
  }

  static std::string decoded(const std::string& text) {
    std::string path;
    for (std::size_t i = 0; i < text.size(); ++i) {
      const std::string code = text.substr(i, 3);
      const bool feed = code == "%0A" || code == "%0a";
      const bool carriage = code == "%0D" || code == "%0d";
      if (feed || carriage || code == "%25") {
        path += feed ? '\n' : carriage ? '\r' : '%';
        i += 2;
      } else {
        path += text[i];
      }
    }
    return path;
  }

  // RFC 8493, 2.2.2: Payload-Oxum is bytes and files of the payload.
  void check_info() {
    if (!files_.contains("bag-info.txt")) return;
    const std::string text = "\n" + text_of("bag-info.txt");
    const std::string label = "\nPayload-Oxum: ";
    const std::size_t at = text.find(label);
    if (at == std::string::npos) return;
    const std::size_t begin = at + label.size();
    const std::string oxum = text.substr(begin, text.find_first_of("\r\n", begin) - begin);
    std::uintmax_t bytes = 0;
    std::size_t count = 0;
    for (const auto& [path, size] : files_) {
      if (!path.starts_with("data/")) continue;
      bytes += size;
      ++count;
    }
    const std::string found = fmt::format("{}.{}", bytes, count);
    if (oxum == found) return;
    fault("bag-info.txt",
          fmt::format("gives {} as bytes and files of data/, which holds {}.", oxum, found));
  }

  void check_fetch() {
    if (!files_.contains("fetch.txt")) return;
    if (text_of("fetch.txt").empty()) return;
    fault("fetch.txt", "names files that are still to be fetched; nothing is fetched here.");
  }

  // What the RFC leaves open is written by trunnion in one way.
  void check_own(std::size_t tag_manifests) {
    if (tag_manifests == 0) {
      fault("tagmanifest-sha512.txt", "is missing, which trunnion writes into each package.");
    }
    std::map<std::string, std::string> tags;
    for (const auto& [path, bytes] : files_) {
      if (path.starts_with("data/") || path == "tagmanifest-sha512.txt") continue;
      const bool known =
          path == "bagit.txt" || path == "bag-info.txt" || path == "manifest-sha512.txt";
      if (!known) {
        fault(path, "is not part of the package that trunnion made.");
      } else if (!tagged_.contains(path)) {
        fault(path, "is not listed in tagmanifest-sha512.txt.");
      } else {
        tags[path] = digest_of(folder_ / path, "sha512");
      }
    }
    if (files_.contains("tagmanifest-sha512.txt") &&
        text_of("tagmanifest-sha512.txt") != manifest_text(tags)) {
      fault("tagmanifest-sha512.txt", "is not as trunnion wrote it.");
    }
    for (const char* name : {"bag-info.txt", "manifest-sha512.txt"}) {
      if (!files_.contains(name)) fault(name, "is missing.");
    }
  }

  fs::path folder_;
  BagCheck result_;
  std::map<std::string, std::uintmax_t> files_;
  std::set<std::string> tagged_;  // listed in tag manifests
};

}  // namespace

bool is_bag(const fs::path& folder) {
  std::error_code code;
  return fs::exists(folder / "bagit.txt", code) ||
         (fs::exists(folder / "data", code) && fs::exists(folder / "manifest-sha512.txt", code));
}

BagCheck check(const fs::path& folder) {
  return Checker(folder).run();
}

}  // namespace trunnion::bag
