#include "tests/support/outside_programs.h"

#include <sys/wait.h>

#include <cstdio>

#include "core/hash.h"
#include "tests/support/samples.h"

namespace trunnion::test {

Outcome run(const std::string& command) {
  Outcome result;
  std::FILE* pipe = popen((command + " 2>&1").c_str(), "r");  // NOLINT(cert-env33-c): fixed text
  if (pipe == nullptr) return result;
  std::string part(4096, '\0');
  std::size_t got = 0;
  while ((got = std::fread(part.data(), 1, part.size(), pipe)) > 0) result.out.append(part, 0, got);
  const int status = pclose(pipe);
  result.exit_code = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  return result;
}

bool installed(const std::string& program) {
  return run("command -v " + program).exit_code == 0;
}

std::string python_with(const std::string& module) {
  for (const char* python : {"/usr/bin/python3", "python3"}) {
    if (run(std::string(python) + " -c 'import " + module + "'").exit_code == 0) return python;
  }
  return "";
}

annotate::Annotation annotation_of(FileType type, const Metadata& source,
                                   const OutputSettings& output) {
  annotate::AnnotationInput input;
  input.type = type;
  input.source_hash = hash_bytes("fused");
  input.frames = 61;
  input.history = {"repair: 3 spots filled", "undistort: cubic"};
  return annotate::make_annotation(sample_scene(), 3, sample_setup(), source, output, input);
}

}  // namespace trunnion::test
