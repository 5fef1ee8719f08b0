#include "pipeline/guard_inputs.h"

#include <fmt/format.h>

#include <set>
#include <string>
#include <vector>

#include "config/capture_table.h"
#include "core/error.h"
#include "core/files.h"

namespace trunnion {
namespace {

// Also where a mount gives one folder two names.
bool same_folder(const fs::path& a, const fs::path& b) {
  std::error_code code;
  return a == b || (fs::equivalent(a, b, code) && !code);
}

// Both resolved; true also where they are one.
bool within(fs::path inner, const fs::path& outer) {
  for (;; inner = inner.parent_path()) {
    if (same_folder(inner, outer)) return true;
    if (inner == inner.parent_path()) return false;
  }
}

fs::path resolved(const fs::path& path) {
  std::error_code code;
  const fs::path real = fs::weakly_canonical(path, code);
  if (code) {
    throw data_error(fmt::format("{}: cannot be followed ({}); correct that link.", path.string(),
                                 code.message()));
  }
  return real;
}

struct Inputs {
  std::string what;
  fs::path folder;  // resolved
};

class InputFolders {
 public:
  void add_folder(const std::string& what, const fs::path& folder) {
    const fs::path real = resolved(folder);
    if (known_.insert(real).second) all_.push_back({what, real});
  }
  // Where it stands, and where it leads to.
  void add_file(const std::string& what, const fs::path& file) {
    add_folder(what, file.parent_path());
    std::error_code code;
    if (fs::is_symlink(file, code)) add_folder(what, resolved(file).parent_path());
  }
  // Every file of a folder.
  void add_files(const std::string& what, const fs::path& folder) {
    add_folder(what, folder);
    std::error_code code;
    for (const auto& entry : fs::directory_iterator(folder, code)) {
      if (entry.is_symlink(code)) add_file(what, entry.path());
    }
  }
  [[nodiscard]] const std::vector<Inputs>& all() const { return all_; }

 private:
  std::vector<Inputs> all_;
  std::set<fs::path> known_;
};

InputFolders inputs_of(const Workspace& workspace) {
  InputFolders inputs;
  const fs::path& root = workspace.root;
  const Specimen& specimen = workspace.file.specimen;
  for (const Ring& ring : specimen.rings) {
    if (ring.pattern.empty()) continue;
    inputs.add_files(fmt::format("the inputs of ring \"{}\"", ring.name),
                     (root / ring.pattern).parent_path());
  }
  if (specimen.capture_table) {
    for (const CaptureRow& row : read_capture_table(root / *specimen.capture_table)) {
      inputs.add_file("the images of the capture table", root / row.file);
      if (!row.frame.empty()) inputs.add_file("the frames of the capture table", root / row.frame);
    }
    inputs.add_file("the capture table", root / *specimen.capture_table);
  }
  if (specimen.empty_image) inputs.add_file("the empty image", root / *specimen.empty_image);
  // A pattern of frames may have a placeholder in a folder's name: what lies before it counts.
  const std::string& frames = workspace.file.settings.output.frame_pattern;
  if (!frames.empty()) {
    inputs.add_files("the frames",
                     (root / frames.substr(0, frames.find_first_of("{*"))).parent_path());
  }
  for (const TemplateSettings& each : workspace.file.settings.output.templates) {
    inputs.add_file("the templates", each.file);
  }
  inputs.add_file("the setup", specimen.setup_file);
  inputs.add_file("specimen.toml", root / "specimen.toml");
  return inputs;
}

// Folders that a run writes into, as it names them: those it always has, and every link to a folder
// that stands below.
std::vector<fs::path> outputs_of(const Workspace& workspace) {
  const fs::path prepared = workspace.prepared();
  std::vector<fs::path> all{prepared, workspace.state(), workspace.state() / "encoded"};
  for (const char* name : {"images", "masks", "report"}) all.push_back(prepared / name);
  for (const TemplateSettings& each : workspace.file.settings.output.templates) {
    const std::string fixed = each.name.substr(0, each.name.find('{'));
    all.push_back((prepared / fixed).parent_path());
  }
  std::error_code code;
  for (const fs::path& top : {prepared, workspace.state()}) {
    for (const auto& entry : fs::recursive_directory_iterator(top, code)) {
      if (entry.is_symlink(code) && entry.is_directory(code)) all.push_back(entry.path());
    }
  }
  return all;
}

}  // namespace

void guard_inputs(const Workspace& workspace) {
  const fs::path root = resolved(workspace.root);
  const InputFolders inputs = inputs_of(workspace);
  for (const fs::path& output : outputs_of(workspace)) {
    const fs::path real = resolved(output);
    for (const Inputs& each : inputs.all()) {
      // prepared/ may lie below a folder of inputs that holds the whole workspace.
      const bool below = within(real, each.folder) &&
                         (same_folder(real, each.folder) || !within(root, each.folder));
      if (!below && !within(each.folder, real)) continue;
      throw data_error(fmt::format(
          "{}: {} in {} would share a folder with the outputs in {}{}; keep originals in a folder "
          "of their own{}.",
          output.string(), each.what, each.folder.string(), output.string(),
          real == output.lexically_normal() ? "" : fmt::format(", which is {}", real.string()),
          fs::is_symlink(output) ? ", or remove that link" : ""));
    }
  }
}

bool is_shared(const fs::path& file) {
  std::error_code code;
  const fs::file_status status = fs::symlink_status(file, code);
  if (!fs::exists(status)) return false;
  return fs::is_symlink(status) ||
         (fs::is_regular_file(status) && fs::hard_link_count(file, code) > 1);
}

}  // namespace trunnion
