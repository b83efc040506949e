# room(NAME DIR folder DEPENDS ...): a static library of every .cpp in the folder. A room without sources is an interface.
# Names of other rooms in DEPENDS become slowfilm_<name>; anything else is a library.
function(resolve_rooms out)
  set(resolved)
  foreach(name IN LISTS ARGN)
    if(TARGET slowfilm_${name})
      list(APPEND resolved slowfilm_${name})
    else()
      list(APPEND resolved ${name})
    endif()
  endforeach()
  set(${out} ${resolved} PARENT_SCOPE)
endfunction()

add_library(slowfilm_options INTERFACE)
target_include_directories(slowfilm_options INTERFACE ${PROJECT_SOURCE_DIR})
target_compile_definitions(slowfilm_options INTERFACE SLOWFILM_VERSION="${PROJECT_VERSION}" _GLIBCXX_ASSERTIONS)
target_compile_options(slowfilm_options INTERFACE
  -Wall -Wextra -Wpedantic -Wswitch-enum -Wnon-virtual-dtor -ffp-contract=off
  -Wno-missing-field-initializers  # designated initialisers leave the rest at its default on purpose
  $<$<CXX_COMPILER_ID:GNU>:-Wno-maybe-uninitialized>  # g++ 12 misfires on std::optional
  $<$<BOOL:${WERROR}>:-Werror>)
add_library(slowfilm_strict INTERFACE)  # our own rooms and programs; tests are let off
target_compile_options(slowfilm_strict INTERFACE -Wconversion -Wshadow)
target_link_libraries(slowfilm_strict INTERFACE slowfilm_options)
if(SANITIZE STREQUAL "address")
  add_compile_options(-fsanitize=address,undefined -fno-sanitize-recover=all -fno-omit-frame-pointer)
  add_link_options(-fsanitize=address,undefined)
elseif(SANITIZE STREQUAL "fuzzer")
  if(NOT CMAKE_CXX_COMPILER_ID STREQUAL "Clang")
    message(FATAL_ERROR "SANITIZE=fuzzer needs clang: -D CMAKE_CXX_COMPILER=clang++")
  endif()
  add_compile_options(-fsanitize=fuzzer-no-link,address,undefined -fno-sanitize-recover=all -fno-omit-frame-pointer)
  add_link_options(-fsanitize=address,undefined)
elseif(SANITIZE STREQUAL "thread")
  add_compile_options(-fsanitize=thread)
  if(CMAKE_CXX_COMPILER_ID STREQUAL "GNU")
    add_compile_options(-Wno-tsan)
  endif()
  add_link_options(-fsanitize=thread)
endif()

function(room name)
  cmake_parse_arguments(ARG "" "DIR" "DEPENDS" ${ARGN})
  file(GLOB sources CONFIGURE_DEPENDS ${PROJECT_SOURCE_DIR}/${ARG_DIR}/*.cpp)
  resolve_rooms(depends ${ARG_DEPENDS})
  if(sources)
    add_library(slowfilm_${name} STATIC ${sources})
    target_link_libraries(slowfilm_${name} PRIVATE slowfilm_strict PUBLIC ${depends})
    target_include_directories(slowfilm_${name} PUBLIC ${PROJECT_SOURCE_DIR})
  else()
    add_library(slowfilm_${name} INTERFACE)
    target_link_libraries(slowfilm_${name} INTERFACE ${depends})
    target_include_directories(slowfilm_${name} INTERFACE ${PROJECT_SOURCE_DIR})
  endif()
endfunction()

# freestanding(NAME DIR folder): what a microcontroller takes over as it stands, compiled as one would compile it there.
function(freestanding name)
  cmake_parse_arguments(ARG "" "DIR" "" ${ARGN})
  file(GLOB sources CONFIGURE_DEPENDS ${PROJECT_SOURCE_DIR}/${ARG_DIR}/*.cpp)
  add_library(slowfilm_${name} STATIC ${sources})
  target_link_libraries(slowfilm_${name} PRIVATE slowfilm_strict)
  target_compile_options(slowfilm_${name} PRIVATE -ffreestanding -fno-exceptions -fno-rtti -fno-threadsafe-statics)
  set_target_properties(slowfilm_${name} PROPERTIES CXX_STANDARD 17)  # what firmware's compilers have
endfunction()

# program(NAME SOURCE_DIR folder MAIN file DEPENDS ...): MAIN plus every other .cpp of the folder whose name begins with NAME_.
function(program name)
  cmake_parse_arguments(ARG "" "SOURCE_DIR;MAIN" "DEPENDS" ${ARGN})
  set(main ${PROJECT_SOURCE_DIR}/${ARG_SOURCE_DIR}/${ARG_MAIN})
  if(NOT EXISTS ${main})
    return()
  endif()
  file(GLOB others CONFIGURE_DEPENDS ${PROJECT_SOURCE_DIR}/${ARG_SOURCE_DIR}/${name}_*.cpp)
  resolve_rooms(depends ${ARG_DEPENDS})
  add_executable(${name} ${main} ${others})
  target_link_libraries(${name} PRIVATE slowfilm_strict ${depends})
  set_target_properties(${name} PROPERTIES RUNTIME_OUTPUT_DIRECTORY ${PROJECT_BINARY_DIR}/bin)
endfunction()

# embed_sets(TARGET FOLDER): every .toml of FOLDER as text in the program, under its name.
function(embed_sets target folder)
  file(GLOB sets CONFIGURE_DEPENDS ${folder}/*.toml)
  set(entries "")
  foreach(set IN LISTS sets)
    file(READ ${set} text)
    get_filename_component(name ${set} NAME_WE)
    string(APPEND entries "    {\"${name}\", R\"set(${text})set\"},\n")
  endforeach()
  set_property(DIRECTORY APPEND PROPERTY CMAKE_CONFIGURE_DEPENDS ${sets})
  set(source ${PROJECT_BINARY_DIR}/embedded/shipped_sets.cpp)
  file(GENERATE OUTPUT ${source} CONTENT "#include \"sim/sets/particle_sets.hpp\"

namespace slowfilm::sim {

std::span<const ShippedSet> shipped_sets() {
    static constexpr ShippedSet sets[] = {
${entries}    };
    return sets;
}

}  // namespace slowfilm::sim
")
  target_sources(${target} PRIVATE ${source})
endfunction()
